/* Plain C to hold the product against: what the machine allows, with nothing checked and nothing kept.
 *
 * floors make DIRECTORY SAMPLES NOISE   a recording, the same as CSV (a tenth of it) and as columns (a tenth of it)
 * floors bands COLUMNS REPETITIONS      bands and km of running time, floating point
 * floors ranges COLUMNS REPETITIONS P   ranges (ASTM E1049), reversals above P percent of the rated load
 * floors poll SECONDS REGISTERS PORT…   libmodbus: one device a port, 10 times a second
 * floors serve LIFT_SECONDS PORT…       the devices: 20 holding registers each, a lift every so many seconds
 *
 * The samples are invented: 10 a second, a lift about every two minutes, a cell that trembles by NOISE grams. The
 * recording is written here by its description (agent/src/samples), not with the product's own writer.
 */
#include <errno.h>
#include <math.h>
#include <modbus/modbus.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

enum { STEP_MS = 100, BLOCK = 600, RATED = 12500000 };

static void die(const char *what) {
    perror(what);
    exit(1);
}

/* Numbers from nowhere, the same each time (xorshift). */
static uint64_t seed = 88172645463325252u;
static uint64_t draw(void) {
    seed ^= seed << 13;
    seed ^= seed >> 7;
    seed ^= seed << 17;
    return seed;
}

/* ---- the invented work ---- */

struct sample {
    int64_t at, load;
    int up, down;
};

static struct sample work(long number, int64_t noise) {
    /* One lift: rest, up 12 s, hang 30 s, down 14 s, then an empty hook that moves a little. */
    static long begin = 0, length = 1200;
    static int64_t load = 5000000;
    struct sample s = {1893456000000 + (int64_t)number * STEP_MS, 0, 0, 0};
    if (number - begin >= length) {
        begin = number;
        length = 900 + (long)(draw() % 600);
        load = 1000000 + (int64_t)(draw() % 100 < 90 ? draw() % 8000000 : draw() % 12000000);
    }
    long at = number - begin;
    s.up = (at >= 300 && at < 430) || (at >= 800 && at < 830);
    s.down = (at >= 730 && at < 790) || (at >= 200 && at < 280);
    if (at >= 310 && at < 780) s.load = at < 316 ? load * (at - 309) / 6 : load;
    s.load += noise ? (int64_t)(draw() % (2 * noise + 1)) - noise : 0;
    s.load = s.load / 1000 * 1000;
    return s;
}

/* ---- the recording ---- */

static uint32_t crc_table[256];
static void crc_ready(void) {
    for (uint32_t n = 0; n < 256; n++) {
        uint32_t c = n;
        for (int k = 0; k < 8; k++) c = c & 1 ? 0xedb88320u ^ (c >> 1) : c >> 1;
        crc_table[n] = c;
    }
}
static uint32_t crc(const uint8_t *bytes, size_t count) {
    uint32_t c = 0xffffffffu;
    while (count--) c = crc_table[(c ^ *bytes++) & 0xff] ^ (c >> 8);
    return c ^ 0xffffffffu;
}
static uint8_t *put(uint8_t *to, int64_t value) {
    uint64_t rest = ((uint64_t)value << 1) ^ (uint64_t)(value >> 63);
    for (; rest >= 0x80; rest >>= 7) *to++ = (uint8_t)(rest | 0x80);
    *to++ = (uint8_t)rest;
    return to;
}
static void little(uint8_t *to, uint32_t value) {
    for (int i = 0; i < 4; i++) to[i] = (uint8_t)(value >> 8 * i);
}

static FILE *open_in(const char *directory, const char *name, const char *how) {
    char path[4096];
    snprintf(path, sizeof path, "%s/%s", directory, name);
    FILE *file = fopen(path, how);
    if (file == NULL) die(path);
    return file;
}

static FILE *recording_file(const char *directory, int64_t first) {
    char name[64];
    snprintf(name, sizeof name, "recording/%lld.thr", (long long)first);
    FILE *file = open_in(directory, name, "wb");
    uint8_t head[64] = "THkR\1\0\12\0main-hoist";
    little(head + 18, crc(head, 18));
    fwrite(head, 1, 22, file);
    return file;
}

static void make(const char *directory, long samples, int64_t noise) {
    char path[4096];
    snprintf(path, sizeof path, "%s/recording", directory);
    if (mkdir(path, 0777) != 0 && errno != EEXIST) die(path);
    crc_ready();
    FILE *csv = open_in(directory, "samples.csv", "w"), *columns = open_in(directory, "columns", "wb"), *ring = NULL;
    fputs("time,load_kg,raising,lowering\n", csv);
    uint8_t block[8 + BLOCK * 32], *to = block + 8;
    struct sample before = {0};
    int flags_before = 0, known_before = 0;
    for (long i = 0; i < samples; i++) {
        struct sample s = work(i, noise);
        if (i % 864000 == 0) {
            if (ring != NULL) fclose(ring);
            ring = recording_file(directory, s.at);
        }
        int flags = s.up | s.down << 1, moved = s.load != before.load, marks = (known_before ? 0 : 1) | (!known_before || flags != flags_before ? 2 : 0);
        to = put(to, s.at - before.at);
        *to++ = (uint8_t)moved;
        *to++ = (uint8_t)marks;
        if (marks & 1) *to++ = 1;
        if (marks & 2) *to++ = 3, *to++ = (uint8_t)flags;
        if (moved) to = put(to, s.load - before.load);
        before = s, flags_before = flags, known_before = 1;
        if ((i + 1) % BLOCK == 0 || i + 1 == samples) {
            uint32_t length = (uint32_t)(to - block - 8);
            little(block, length);
            little(block + 4, crc(block + 8, length));
            fwrite(block, 1, length + 8, ring);
            to = block + 8, before = (struct sample){0}, flags_before = known_before = 0;
        }
        if (i < samples / 10) {
            time_t seconds = s.at / 1000;
            struct tm t;
            char when[40];
            strftime(when, sizeof when, "%Y-%m-%dT%H:%M:%S", gmtime_r(&seconds, &t));
            fprintf(csv, "%s.%03dZ,%.3f,%d,%d\n", when, (int)(s.at % 1000), s.load / 1000.0, s.up, s.down);
            int64_t row[2] = {s.load, s.up || s.down ? STEP_MS : 0};
            fwrite(row, sizeof row, 1, columns);
        }
    }
    if (fclose(csv) || fclose(columns) || (ring && fclose(ring))) die("writing");
}

/* ---- arithmetic ---- */

static long columns_of(const char *path, double **load, uint8_t **runs) {
    FILE *file = fopen(path, "rb");
    if (file == NULL) die(path);
    struct stat about;
    fstat(fileno(file), &about);
    long count = about.st_size / 16;
    *load = malloc(count * sizeof **load);
    *runs = malloc(count);
    int64_t row[2];
    for (long i = 0; i < count && fread(row, sizeof row, 1, file) == 1; i++) {
        (*load)[i] = row[0] / 1000.0;
        (*runs)[i] = row[1] > 0;
    }
    fclose(file);
    return count;
}

static void bands(const char *path, int repetitions) {
    double *load, cubes = 0, rated = RATED / 1000.0;
    uint8_t *runs;
    long count = columns_of(path, &load, &runs), band[12] = {0}, running = 0;
    for (int r = 0; r < repetitions; r++) {
        for (long i = 0; i < count; i++) {
            if (!runs[i]) continue;
            double share = load[i] / rated;
            int b = (int)(share * 10);
            band[b < 0 ? 0 : b > 11 ? 11 : b]++;
            share = share < 0 ? 0 : share;
            cubes += share * share * share;
            running++;
        }
        __asm__ volatile("" ::: "memory");
    }
    printf("km %.9f over %ld\n", cubes / running, running);
}

static double open_points[1000000];
static int open_count;
static double ranges_sum;
static long ranges_count;

static void turn(double x) {
    open_points[open_count++] = x;
    while (open_count >= 3) {
        double *p = open_points + open_count - 3, y = fabs(p[1] - p[0]);
        if (fabs(p[2] - p[1]) < y) return;
        ranges_sum += y;
        if (open_count == 3) {
            ranges_count += 1;
            p[0] = p[1], p[1] = p[2], open_count = 2;
        } else {
            ranges_count += 2;
            p[0] = p[2], open_count -= 2;
        }
    }
}

static void ranges(const char *path, int repetitions, double least) {
    double *load;
    uint8_t *runs;
    long count = columns_of(path, &load, &runs);
    for (int r = 0; r < repetitions; r++) {
        double edge = load[0];
        int up = 1;
        open_count = 0;
        for (long i = 1; i < count; i++) {
            double x = load[i];
            if (up ? x > edge : x < edge) {
                edge = x;
            } else if (fabs(x - edge) > least) {
                turn(edge);
                edge = x, up = !up;
            }
        }
    }
    printf("%ld half cycles, %.3f\n", ranges_count, ranges_sum);
}

/* ---- polling ---- */

static void poll_devices(double seconds, int registers, int devices, char **ports) {
    modbus_t *bus[64];
    uint16_t value[128];
    unsigned long sum = 0;
    for (int i = 0; i < devices; i++) {
        bus[i] = modbus_new_tcp("127.0.0.1", atoi(ports[i]));
        if (bus[i] == NULL || modbus_set_slave(bus[i], 1) < 0 || modbus_connect(bus[i]) < 0) die("connect");
    }
    struct timespec next;
    clock_gettime(CLOCK_MONOTONIC, &next);
    for (long poll = 0; poll < seconds * 10; poll++) {
        for (int i = 0; i < devices; i++) {
            if (modbus_read_registers(bus[i], 0, registers, value) != registers) die("read");
            sum += value[0];
        }
        next.tv_nsec += 100000000;
        if (next.tv_nsec >= 1000000000) next.tv_sec++, next.tv_nsec -= 1000000000;
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &next, NULL);
    }
    printf("%lu\n", sum);
}

/* ---- devices ---- */

static void play(modbus_mapping_t *map, int64_t now_ms, int64_t lift_ms) {
    int64_t at = now_ms % lift_ms * 100 / lift_ms;
    int32_t load = at >= 20 && at < 70 ? 50000 : 0;
    int up = at >= 19 && at < 30, down = at >= 60 && at < 72;
    map->tab_registers[0] = (uint16_t)(load >> 16);
    map->tab_registers[1] = (uint16_t)load;
    map->tab_registers[2] = (uint16_t)(up | down << 1);
    map->tab_registers[4] = up || down ? 1000 : 0;
}

static void serve(int64_t lift_ms, int devices, char **ports) {
    modbus_t *bus = modbus_new_tcp("127.0.0.1", 0);
    modbus_mapping_t *map = modbus_mapping_new(0, 0, 20, 0);
    int listener[64], device[1024] = {0}, highest = 0;
    fd_set open, ready;
    FD_ZERO(&open);
    for (int i = 0; i < devices; i++) {
        modbus_t *door = modbus_new_tcp("127.0.0.1", atoi(ports[i]));
        listener[i] = modbus_tcp_listen(door, 8);
        if (listener[i] < 0) die("listen");
        FD_SET(listener[i], &open);
        highest = listener[i] > highest ? listener[i] : highest;
    }
    puts("ready");
    fflush(stdout);
    for (;;) {
        ready = open;
        if (select(highest + 1, &ready, NULL, NULL, NULL) < 0) die("select");
        struct timespec now;
        clock_gettime(CLOCK_MONOTONIC, &now);
        int64_t now_ms = now.tv_sec * 1000 + now.tv_nsec / 1000000;
        for (int fd = 0; fd <= highest; fd++) {
            if (!FD_ISSET(fd, &ready)) continue;
            int door = 0;
            while (door < devices && listener[door] != fd) door++;
            if (door < devices) {
                int made = modbus_tcp_accept(bus, &listener[door]);
                if (made < 0 || made >= 1024) die("accept");
                FD_SET(made, &open);
                device[made] = door;
                highest = made > highest ? made : highest;
                continue;
            }
            uint8_t request[MODBUS_TCP_MAX_ADU_LENGTH];
            modbus_set_socket(bus, fd);
            int length = modbus_receive(bus, request);
            play(map, now_ms + device[fd] * lift_ms / devices, lift_ms);
            if (length > 0) modbus_reply(bus, request, length, map);
            if (length < 0) FD_CLR(fd, &open), close(fd);
        }
    }
}

int main(int count, char **words) {
    if (count == 5 && !strcmp(words[1], "make")) make(words[2], atol(words[3]), atol(words[4]));
    else if (count == 4 && !strcmp(words[1], "bands")) bands(words[2], atoi(words[3]));
    else if (count == 5 && !strcmp(words[1], "ranges")) ranges(words[2], atoi(words[3]), atof(words[4]) * RATED / 1e5);
    else if (count > 4 && count < 69 && !strcmp(words[1], "poll")) poll_devices(atof(words[2]), atoi(words[3]), count - 4, words + 4);
    else if (count > 3 && count < 68 && !strcmp(words[1], "serve")) serve(atol(words[2]) * 1000, count - 3, words + 3);
    else return 2;
    return 0;
}
