/* A Modbus server made of libmodbus, which is not ours.
 *
 * modbus_peer tcp PORT UNIT          any number of connections, loopback
 * modbus_peer rtu DEVICE BAUD UNIT   a serial line, 8 data bits, no parity, 1 stop bit
 *
 * Each table has 200 addresses: holding a -> 7 a + 1, input a -> 5 a + 3, coil a is on where 3 divides a, discrete
 * input a where 5 does. Further arguments `holding ADDRESS VALUE` (or `input`, `coil`, `discrete`) set others.
 */
#include <errno.h>
#include <modbus/modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <unistd.h>

enum { ADDRESSES = 200 };

static modbus_mapping_t *tables(char **more) {
    modbus_mapping_t *map = modbus_mapping_new(ADDRESSES, ADDRESSES, ADDRESSES, ADDRESSES);
    if (map == NULL) exit(1);
    for (int a = 0; a < ADDRESSES; a++) {
        map->tab_registers[a] = 7 * a + 1;
        map->tab_input_registers[a] = 5 * a + 3;
        map->tab_bits[a] = a % 3 == 0;
        map->tab_input_bits[a] = a % 5 == 0;
    }
    for (; more[0] && more[1] && more[2]; more += 3) {
        int a = atoi(more[1]) % ADDRESSES, value = atoi(more[2]);
        if (!strcmp(more[0], "holding")) map->tab_registers[a] = value;
        if (!strcmp(more[0], "input")) map->tab_input_registers[a] = value;
        if (!strcmp(more[0], "coil")) map->tab_bits[a] = value;
        if (!strcmp(more[0], "discrete")) map->tab_input_bits[a] = value;
    }
    return map;
}

static void answer(modbus_t *bus, modbus_mapping_t *map, int *broken) {
    uint8_t request[MODBUS_TCP_MAX_ADU_LENGTH];
    int length = modbus_receive(bus, request);
    if (length > 0) modbus_reply(bus, request, length, map);
    *broken = length < 0;
}

static void serve_tcp(modbus_t *bus, modbus_mapping_t *map) {
    int listener = modbus_tcp_listen(bus, 64), highest = listener, broken;
    fd_set open, ready;
    if (listener < 0) exit(1);
    FD_ZERO(&open);
    FD_SET(listener, &open);
    puts("ready");
    for (;;) {
        ready = open;
        if (select(highest + 1, &ready, NULL, NULL, NULL) < 0) exit(1);
        for (int fd = 0; fd <= highest; fd++) {
            if (!FD_ISSET(fd, &ready)) continue;
            if (fd == listener) {
                int made = modbus_tcp_accept(bus, &listener);
                if (made < 0) continue;
                FD_SET(made, &open);
                if (made > highest) highest = made;
                continue;
            }
            modbus_set_socket(bus, fd);
            answer(bus, map, &broken);
            if (broken) {
                FD_CLR(fd, &open);
                close(fd);
            }
        }
    }
}

int main(int count, char **words) {
    setvbuf(stdout, NULL, _IONBF, 0);
    int rtu = count > 4 && !strcmp(words[1], "rtu");
    if (!rtu && (count < 4 || strcmp(words[1], "tcp"))) return 2;
    modbus_t *bus = rtu ? modbus_new_rtu(words[2], atoi(words[3]), 'N', 8, 1)
                        : modbus_new_tcp("127.0.0.1", atoi(words[2]));
    modbus_mapping_t *map = tables(words + (rtu ? 5 : 4));
    if (bus == NULL || modbus_set_slave(bus, atoi(words[rtu ? 4 : 3])) < 0) return 1;
    if (!rtu) serve_tcp(bus, map);
    if (modbus_connect(bus) < 0) {
        fprintf(stderr, "%s: %s\n", words[2], modbus_strerror(errno));
        return 1;
    }
    puts("ready");
    for (int broken;;) answer(bus, map, &broken);
}
