/* A disk and clocks that misbehave on demand, for a process started with this library preloaded.
 *
 * What to do is read at each call from a file that the test maps and changes: see shim.py, which packs it.
 * Paths are compared by text: only files whose path contains `part` suffer.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

struct orders {
    int64_t realtime_ns, boottime_ns; /* added to the clocks */
    int64_t write_errno, write_after; /* fail with this, once so many more calls have gone well */
    int64_t fsync_errno, fsync_after;
    int64_t rename_errno, rename_after;
    int64_t times;    /* how many failures in all; -1: without end */
    int64_t fsync_ms; /* how long each fsync takes longer */
    int64_t failed;   /* counts the failures */
    char part[128];
};

static struct orders *orders;

__attribute__((constructor)) static void begin(void) {
    const char *path = getenv("FAULT_ORDERS");
    int fd = path ? open(path, O_RDWR | O_CLOEXEC) : -1;
    void *at = fd < 0 ? MAP_FAILED
                      : mmap(NULL, sizeof(struct orders), PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    if (fd >= 0) close(fd);
    if (at != MAP_FAILED) orders = at;
}

static int hits(const char *path, int64_t *number, int64_t *after) {
    if (!orders || !*number || !orders->times || !strstr(path, orders->part)) return 0;
    if (*after > 0) {
        --*after;
        return 0;
    }
    if (orders->times > 0) --orders->times;
    ++orders->failed;
    errno = (int)*number;
    return 1;
}

static const char *path_of(int fd, char *room, size_t size) {
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, room, size - 1);
    room[length < 0 ? 0 : length] = 0;
    return room;
}

ssize_t write(int fd, const void *data, size_t count) {
    char room[4096];
    if (orders && orders->write_errno && fd > 2 &&
        hits(path_of(fd, room, sizeof room), &orders->write_errno, &orders->write_after))
        return -1;
    return syscall(SYS_write, fd, data, count);
}

int fsync(int fd) {
    char room[4096];
    if (orders && (orders->fsync_errno || orders->fsync_ms)) {
        const char *path = path_of(fd, room, sizeof room);
        if (orders->fsync_ms && strstr(path, orders->part)) usleep((useconds_t)orders->fsync_ms * 1000);
        if (hits(path, &orders->fsync_errno, &orders->fsync_after)) return -1;
    }
    return (int)syscall(SYS_fsync, fd);
}

int rename(const char *old, const char *new) {
    if (orders && orders->rename_errno && hits(new, &orders->rename_errno, &orders->rename_after)) return -1;
    return (int)syscall(SYS_rename, old, new);
}

int clock_gettime(clockid_t clock, struct timespec *at) {
    int result = (int)syscall(SYS_clock_gettime, clock, at);
    int64_t more = !orders || result ? 0
                   : clock == CLOCK_REALTIME ? orders->realtime_ns
                   : clock == CLOCK_BOOTTIME ? orders->boottime_ns
                                             : 0;
    if (more) {
        int64_t ns = at->tv_sec * INT64_C(1000000000) + at->tv_nsec + more;
        at->tv_sec = ns / 1000000000;
        at->tv_nsec = ns % 1000000000;
    }
    return result;
}
