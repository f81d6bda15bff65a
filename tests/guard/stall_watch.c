/* Says when the computer itself stood still: one thread of work, one core, highest priority.
 *
 * Sleeps 1 ms at a time on the core given, and prints the time (CLOCK_BOOTTIME, ns) and length
 * of every sleep that took over 5 ms longer. What it sees, no program on that core could help:
 * on a virtual machine, mostly the host giving the core to somebody else.
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
    if (sched_setscheduler(0, SCHED_FIFO, &priority) != 0)
        return 1;
    mlockall(MCL_CURRENT | MCL_FUTURE);
    setvbuf(stdout, NULL, _IOLBF, 0);
    for (;;) {
        long long before = now_ns();
        struct timespec wait = {0, 1000000};
        nanosleep(&wait, NULL);
        long long over = now_ns() - before - 1000000;
        if (over > 5000000)
            printf("%lld %lld\n", before, over);
    }
}
