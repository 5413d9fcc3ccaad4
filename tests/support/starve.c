/* Lets a process run out of memory, for `controllers.py`: preloaded (LD_PRELOAD), it makes every
 * allocation fail after SIGUSR2, and one in twenty after SIGUSR1.  A limit set from outside
 * (RLIMIT_AS) bites only when a process needs more than it has, which may take long.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <signal.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/mman.h>
#include <sys/types.h>

void *__libc_malloc(size_t);
void *__libc_calloc(size_t, size_t);
void *__libc_realloc(void *, size_t);

static volatile sig_atomic_t every; /* 0: none fails; n: one in n does */
static uint32_t drawn = 1;

static void starve(int number) {
    every = number == SIGUSR2 ? 1 : 20;
}

__attribute__((constructor)) static void begin(void) {
    struct sigaction act = {.sa_handler = starve, .sa_flags = SA_RESTART};
    sigaction(SIGUSR1, &act, NULL);
    sigaction(SIGUSR2, &act, NULL);
}

static int fails(void) {
    if (every == 0) return 0;
    drawn = drawn * 1664525u + 1013904223u; /* a race between threads only draws otherwise */
    if ((drawn >> 16) % (uint32_t)every != 0) return 0;
    errno = ENOMEM;
    return 1;
}

void *malloc(size_t size) {
    return fails() ? NULL : __libc_malloc(size);
}

void *calloc(size_t count, size_t size) {
    return fails() ? NULL : __libc_calloc(count, size);
}

void *realloc(void *old, size_t size) {
    return size != 0 && fails() ? NULL : __libc_realloc(old, size);
}

static void *map(void *at, size_t length, int protection, int flags, int fd, off_t offset) {
    static void *(*real)(void *, size_t, int, int, int, off_t);
    if (real == NULL) *(void **)&real = dlsym(RTLD_NEXT, "mmap");
    if (flags & MAP_ANONYMOUS && fails()) return MAP_FAILED;
    return real(at, length, protection, flags, fd, offset);
}

void *mmap(void *at, size_t length, int protection, int flags, int fd, off_t offset) {
    return map(at, length, protection, flags, fd, offset);
}

void *mmap64(void *at, size_t length, int protection, int flags, int fd, off64_t offset) {
    return map(at, length, protection, flags, fd, offset);
}
