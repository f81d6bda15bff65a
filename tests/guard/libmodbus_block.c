/* An I/O block and controller made of libmodbus, for the guard's tests and benchmark.
 *
 * Discrete inputs are the contacts, coils 0 and 1 the permit and the heartbeat. Commands come
 * as lines on standard input, what happens goes out as lines on standard output, with times
 * of CLOCK_BOOTTIME in nanoseconds taken here:
 *   in:   c ADDRESS 0|1        open or close a contact
 *         r ADDRESS HZ MS      rattle a contact for MS milliseconds, then leave it open
 *   out:  ready PORT REALTIME; c T ADDRESS VALUE; p T VALUE (permit); h T VALUE (heartbeat)
 * With real-time priority where allowed, because it stands for hardware of its own.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <modbus/modbus.h>
#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <netinet/in.h>
#include <time.h>
#include <unistd.h>

static long long now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_BOOTTIME, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

int main(int argc, char **argv)
{
    int port = argc > 1 ? atoi(argv[1]) : 0;
    int contacts = argc > 2 ? atoi(argv[2]) : 2;
    struct sched_param priority = {.sched_priority = 50};
    int realtime = sched_setscheduler(0, SCHED_FIFO, &priority) == 0;

    modbus_t *context = modbus_new_tcp("127.0.0.1", port);
    modbus_mapping_t *map = modbus_mapping_new(16, contacts, 0, 0);
    int listener = modbus_tcp_listen(context, 8);
    if (context == NULL || map == NULL || listener < 0) {
        fprintf(stderr, "cannot serve: %s\n", modbus_strerror(errno));
        return 1;
    }
    struct sockaddr_in bound;
    socklen_t size = sizeof bound;
    getsockname(listener, (struct sockaddr *) &bound, &size);
    setvbuf(stdout, NULL, _IOLBF, 0);
    printf("ready %d %d\n", ntohs(bound.sin_port), realtime);

    fd_set open_sockets;
    FD_ZERO(&open_sockets);
    FD_SET(listener, &open_sockets);
    FD_SET(0, &open_sockets);
    int highest = listener;
    char line[256];
    size_t have = 0;
    int rattling = -1;
    long long rattle_half_ns = 0, rattle_next_ns = 0, rattle_until_ns = 0;

    for (;;) {
        fd_set ready = open_sockets;
        struct timeval wait = {1, 0};
        if (rattling >= 0) {
            long long left = rattle_next_ns - now_ns();
            wait.tv_sec = 0;
            wait.tv_usec = left > 0 ? left / 1000 : 0;
        }
        if (select(highest + 1, &ready, NULL, NULL, &wait) < 0)
            return 1;
        if (rattling >= 0 && now_ns() >= rattle_next_ns) {
            long long t = now_ns();
            map->tab_input_bits[rattling] = !map->tab_input_bits[rattling];
            rattle_next_ns = t + rattle_half_ns;
            if (t >= rattle_until_ns) {
                map->tab_input_bits[rattling] = 0;
                printf("c %lld %d 0\n", t, rattling);
                rattling = -1;
            }
        }
        if (FD_ISSET(0, &ready)) {
            ssize_t got = read(0, line + have, sizeof line - 1 - have);
            if (got <= 0)
                return 0;
            have += got;
            line[have] = 0;
            char *start = line, *end;
            while ((end = strchr(start, '\n')) != NULL) {
                int address, value, milliseconds;
                *end = 0;
                if (sscanf(start, "c %d %d", &address, &value) == 2 && address < contacts) {
                    map->tab_input_bits[address] = value;
                    printf("c %lld %d %d\n", now_ns(), address, value);
                } else if (sscanf(start, "r %d %d %d", &address, &value, &milliseconds) == 3
                           && address < contacts) {
                    long long t = now_ns();
                    rattling = address;
                    rattle_half_ns = 500000000LL / value;
                    rattle_next_ns = t + rattle_half_ns;
                    rattle_until_ns = t + milliseconds * 1000000LL;
                    map->tab_input_bits[address] = 0;
                    printf("c %lld %d 0\n", t, address);
                }
                start = end + 1;
            }
            have = strlen(start);
            memmove(line, start, have);
        }
        for (int each = 1; each <= highest; each++) {
            if (!FD_ISSET(each, &ready))
                continue;
            if (each == listener) {
                int fresh = accept(listener, NULL, NULL);
                if (fresh >= 0) {
                    FD_SET(fresh, &open_sockets);
                    highest = fresh > highest ? fresh : highest;
                }
                continue;
            }
            uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
            modbus_set_socket(context, each);
            int length = modbus_receive(context, query);
            if (length > 0) {
                uint8_t permit = map->tab_bits[0], beat = map->tab_bits[1];
                modbus_reply(context, query, length, map);
                if (map->tab_bits[0] != permit)
                    printf("p %lld %d\n", now_ns(), map->tab_bits[0]);
                if (map->tab_bits[1] != beat)
                    printf("h %lld %d\n", now_ns(), map->tab_bits[1]);
            } else if (length < 0) {
                close(each);
                FD_CLR(each, &open_sockets);
            }
        }
    }
}
