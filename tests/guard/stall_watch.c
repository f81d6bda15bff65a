/* Says when the computer itself stood still: one thread of work, one core, highest priority.
 *
 * Sleeps 1 ms at a time on the core given, and prints when (CLOCK_BOOTTIME, ns) and how long
 * every sleep went on that took over 5 ms longer. What it sees, no program on that core could
 * help: on a virtual machine, mostly the host giving the core to somebody else. Its first line
 * is "ready 1", or "ready 0" where real-time priority was refused: then it sees what any
 * process of ordinary priority has to bear, the guard too.
 */
#define _GNU_SOURCE
#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <time.h>

static long long now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_BOOTTIME, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

int main(int argc, char **argv)
{
    cpu_set_t core;
    CPU_ZERO(&core);
    CPU_SET(argc > 1 ? atoi(argv[1]) : 0, &core);
    sched_setaffinity(0, sizeof core, &core);
    struct sched_param priority = {.sched_priority = 80};
    int realtime = sched_setscheduler(0, SCHED_FIFO, &priority) == 0;
    mlockall(MCL_CURRENT | MCL_FUTURE);
    setvbuf(stdout, NULL, _IOLBF, 0);
    printf("ready %d\n", realtime);
    for (;;) {
        long long before = now_ns();
        struct timespec wait = {0, 1000000};
        nanosleep(&wait, NULL);
        long long over = now_ns() - before - 1000000;
        if (over > 5000000)
            printf("%lld %lld\n", before + 1000000, over);
    }
}
