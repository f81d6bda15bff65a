/* A controller made of libmodbus, for the tests of the Modbus link: an independent peer.
 *
 *   libmodbus_controller poll PORT       a client: commands on standard input
 *       r FIRST COUNT                    read holding registers; prints "r V V ..." or "e TEXT"
 *       i FIRST COUNT                    read input registers
 *       w FIRST V V ...                  write registers; prints "w" or "e TEXT"
 *       x WFIRST WCOUNT RFIRST RCOUNT V  write WCOUNT times V and read in one; prints "r ..."
 *   libmodbus_controller block PORT COUNT   a server with COUNT holding registers; prints "ready"
 *       r FIRST COUNT, w FIRST V V ...   look at and change its own registers
 */
#include <errno.h>
#include <modbus/modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <unistd.h>

static uint16_t values[256];

static void print_values(int count)
{
    printf("r");
    for (int each = 0; each < count; each++)
        printf(" %d", values[each]);
    printf("\n");
}

static int read_numbers(char *text, int *numbers, int most)
{
    int have = 0;
    for (char *word = strtok(text, " \n"); word != NULL && have < most; word = strtok(NULL, " \n"))
        numbers[have++] = atoi(word);
    return have;
}

static int poll_table(modbus_t *context)
{
    char line[2048];
    int given[260];
    if (modbus_connect(context) < 0) {
        printf("e %s\n", modbus_strerror(errno));
        return 1;
    }
    printf("ready\n");
    while (fgets(line, sizeof line, stdin) != NULL) {
        int have = read_numbers(line + 1, given, 260), got = -1;
        if (line[0] == 'r' && have == 2)
            got = modbus_read_registers(context, given[0], given[1], values);
        else if (line[0] == 'i' && have == 2)
            got = modbus_read_input_registers(context, given[0], given[1], values);
        else if (line[0] == 'x' && have == 5) {
            uint16_t written[128];
            for (int each = 0; each < given[1]; each++)
                written[each] = given[4];
            got = modbus_write_and_read_registers(
                context, given[0], given[1], written, given[2], given[3], values);
        } else if (line[0] == 'w' && have >= 2) {
            for (int each = 1; each < have; each++)
                values[each - 1] = given[each];
            if (modbus_write_registers(context, given[0], have - 1, values) == have - 1) {
                printf("w\n");
                continue;
            }
        }
        if (got < 0)
            printf("e %s\n", modbus_strerror(errno));
        else
            print_values(got);
    }
    return 0;
}

static int serve_block(modbus_t *context, int count)
{
    char line[2048];
    int given[260];
    modbus_mapping_t *map = modbus_mapping_new(0, 0, count, 0);
    int listener = modbus_tcp_listen(context, 4), peer = -1;
    if (map == NULL || listener < 0) {
        printf("e %s\n", modbus_strerror(errno));
        return 1;
    }
    printf("ready\n");
    for (;;) {
        fd_set ready;
        FD_ZERO(&ready);
        FD_SET(0, &ready);
        FD_SET(peer < 0 ? listener : peer, &ready);
        if (select((peer > listener ? peer : listener) + 1, &ready, NULL, NULL, NULL) < 0)
            return 1;
        if (FD_ISSET(0, &ready)) {
            if (fgets(line, sizeof line, stdin) == NULL)
                return 0;
            int have = read_numbers(line + 1, given, 260);
            if (line[0] == 'r' && have == 2) {
                memcpy(values, map->tab_registers + given[0], 2 * given[1]);
                print_values(given[1]);
            } else if (line[0] == 'w' && have >= 2) {
                for (int each = 1; each < have; each++)
                    map->tab_registers[given[0] + each - 1] = given[each];
                printf("w\n");
            }
        }
        if (peer < 0 && FD_ISSET(listener, &ready)) {
            peer = modbus_tcp_accept(context, &listener);
        } else if (peer >= 0 && FD_ISSET(peer, &ready)) {
            uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
            int length = modbus_receive(context, query);
            if (length > 0)
                modbus_reply(context, query, length, map);
            else if (length < 0) {
                close(peer);
                peer = -1;
            }
        }
    }
}

int main(int argc, char **argv)
{
    if (argc < 3)
        return 2;
    setvbuf(stdout, NULL, _IOLBF, 0);
    setvbuf(stdin, NULL, _IONBF, 0);
    modbus_t *context = modbus_new_tcp("127.0.0.1", atoi(argv[2]));
    if (context == NULL)
        return 1;
    if (strcmp(argv[1], "poll") == 0)
        return poll_table(context);
    return serve_block(context, argc > 3 ? atoi(argv[3]) : 200);
}
