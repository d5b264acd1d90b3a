/* Ends the program before the N-th call by which it changes a file under one directory: LD_PRELOAD for the tests.
 *
 * CUT_UNDER  the directory, absolute
 * CUT_BOARD  a file of three unsigned 64 bit numbers, shared while the program runs: calls so far; before which call
 *            it ends, 0 for never; whether half of a write is still done
 *
 * Counted are write, writev, pwrite, fsync, fdatasync, ftruncate, unlink, rename, mkdir, and open where it may make a
 * file. It ends with _exit(99): nothing is flushed, no lock given back in good order, as with a kill.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/uio.h>
#include <unistd.h>

struct board {
    _Atomic uint64_t calls, cut_at, half;
};

static struct board *board;
static const char *under;
static size_t under_length;

__attribute__((constructor)) static void begin(void) {
    const char *file = getenv("CUT_BOARD");
    under = getenv("CUT_UNDER");
    if (!file || !under) return;
    under_length = strlen(under);
    int fd = open(file, O_RDWR | O_CLOEXEC);
    if (fd < 0) _exit(98);
    void *place = mmap(NULL, sizeof *board, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    if (place == MAP_FAILED) _exit(98);
    close(fd);
    board = place;
}

static int ours(const char *path) { return board && path && !strncmp(path, under, under_length); }

static int ours_fd(int fd) {
    char name[64], path[4096];
    if (!board) return 0;
    snprintf(name, sizeof name, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(name, path, sizeof path - 1);
    if (length < 0) return 0;
    path[length] = 0;
    return ours(path);
}

/* Whether this is the call before which it ends. */
static int due(void) {
    uint64_t number = atomic_fetch_add(&board->calls, 1) + 1, cut = atomic_load(&board->cut_at);
    return cut != 0 && number >= cut;
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
#define PLAIN(result, name, parameters, arguments, ask) \
    result name parameters {                            \
        if ((ask) && due()) _exit(99);                  \
        return REAL(name) arguments;                    \
    }
#define WRITES(name, parameters, all, part)           \
    ssize_t name parameters {                         \
        if (ours_fd(fd) && due()) {                   \
            if (atomic_load(&board->half)) {          \
                ssize_t done = REAL(name) part;       \
                (void)done;                           \
            }                                         \
            _exit(99);                                \
        }                                             \
        return REAL(name) all;                        \
    }

WRITES(write, (int fd, const void *from, size_t n), (fd, from, n), (fd, from, n / 2))
WRITES(pwrite, (int fd, const void *from, size_t n, off_t at), (fd, from, n, at), (fd, from, n / 2, at))
WRITES(pwrite64, (int fd, const void *from, size_t n, off64_t at), (fd, from, n, at), (fd, from, n / 2, at))
WRITES(writev, (int fd, const struct iovec *parts, int n), (fd, parts, n), (fd, parts, n / 2))
PLAIN(int, fsync, (int fd), (fd), ours_fd(fd))
PLAIN(int, fdatasync, (int fd), (fd), ours_fd(fd))
PLAIN(int, ftruncate, (int fd, off_t to), (fd, to), ours_fd(fd))
PLAIN(int, ftruncate64, (int fd, off64_t to), (fd, to), ours_fd(fd))
PLAIN(int, unlink, (const char *path), (path), ours(path))
PLAIN(int, rename, (const char *from, const char *to), (from, to), ours(from) || ours(to))
PLAIN(int, mkdir, (const char *path, mode_t mode), (path, mode), ours(path))

#define OPENS(name)                                                        \
    int name(const char *path, int flags, ...) {                           \
        va_list more;                                                      \
        va_start(more, flags);                                             \
        mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(more, int) : 0; \
        va_end(more);                                                      \
        if ((flags & O_CREAT) && ours(path) && due()) _exit(99);           \
        return REAL(name)(path, flags, mode);                              \
    }

OPENS(open)
OPENS(open64)
