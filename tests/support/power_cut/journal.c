/* Keeps a journal of what a process does to the files in one folder, for `power_cut.py`.
 *
 * Preloaded (LD_PRELOAD) under a program.  It begins with the environment's CUT_FOLDER and
 * CUT_JOURNAL, or when cut_begin() is called.  Each call is journalled after it was carried out, so
 * that nothing stands in the journal that did not happen; a sync names how long the journal was when
 * it began, so that nothing counts as synced that was written meanwhile.
 *
 * Mapped files are not seen.  SQLite maps only its -shm file, which it makes anew after a cut.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <limits.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

enum { CREATE = 1, WRITE, TRUNCATE, SYNC, UNLINK, RENAME, MKDIR };
enum { FILES = 4096 };

struct head {
    uint32_t magic, op, path_length, data_length;
    uint64_t number; /* offset of a write, length of a truncation, journal length of a sync */
};

static char folder[PATH_MAX];
static size_t folder_length;
static int journal = -1;
static char *paths[FILES];

void cut_begin(const char *in, const char *journal_path) {
    snprintf(folder, sizeof folder, "%s", in);
    folder_length = strlen(folder);
    journal = (int)syscall(SYS_openat, AT_FDCWD, journal_path,
                           O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
}

__attribute__((constructor)) static void begin(void) {
    const char *in = getenv("CUT_FOLDER"), *path = getenv("CUT_JOURNAL");
    char own[PATH_MAX];
    if (in != NULL && path != NULL) {
        /* One journal a process: those it spawns inherit the environment. */
        snprintf(own, sizeof own, "%s.%d", path, (int)getpid());
        cut_begin(in, own);
    }
}

static uint64_t journal_length(void) {
    struct stat now;
    return fstat(journal, &now) == 0 ? (uint64_t)now.st_size : 0;
}

static void note(uint32_t op, const char *path, uint64_t number, const void *data, size_t length) {
    struct head head = {0x54554321u, op, (uint32_t)strlen(path), (uint32_t)length, number};
    struct iovec parts[3] = {
        {&head, sizeof head}, {(void *)path, head.path_length}, {(void *)data, length}};
    if (syscall(SYS_writev, journal, parts, length ? 3 : 2) < 0) abort();
}

/* Returns the path below the folder (static), NULL if it is not in it. */
static const char *inside(int at, const char *path) {
    static __thread char full[2 * PATH_MAX];
    if (journal < 0 || path == NULL) return NULL;
    if (path[0] == '/') {
        snprintf(full, sizeof full, "%s", path);
    } else if (at == AT_FDCWD) {
        char here[PATH_MAX];
        if (getcwd(here, sizeof here) == NULL) return NULL;
        snprintf(full, sizeof full, "%s/%s", here, path);
    } else {
        return NULL;
    }
    if (strncmp(full, folder, folder_length) != 0) return NULL;
    if (full[folder_length] == '\0') return full + folder_length;
    return full[folder_length] == '/' ? full + folder_length + 1 : NULL;
}

static const char *path_of(int fd) {
    return fd >= 0 && fd < FILES && journal >= 0 ? paths[fd] : NULL;
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

static int opened(int fd, int at, const char *path, int flags, int existed) {
    const char *name = inside(at, path);
    if (fd < 0 || fd >= FILES || name == NULL) return fd;
    free(paths[fd]);
    paths[fd] = strdup(name);
    if (!existed)
        note(CREATE, name, 0, NULL, 0);
    else if (flags & O_TRUNC)
        note(TRUNCATE, name, 0, NULL, 0);
    return fd;
}

static int exists(int at, const char *path) {
    struct stat found;
    return inside(at, path) == NULL || fstatat(at, path, &found, 0) == 0;
}

#define OPEN(name)                                                       \
    int name(const char *path, int flags, ...) {                         \
        va_list rest;                                                    \
        va_start(rest, flags);                                           \
        mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(rest, mode_t) : 0; \
        va_end(rest);                                                    \
        int existed = exists(AT_FDCWD, path);                            \
        return opened(REAL(name)(path, flags, mode), AT_FDCWD, path, flags, existed); \
    }
OPEN(open)
OPEN(open64)

#define OPENAT(name)                                                     \
    int name(int at, const char *path, int flags, ...) {                 \
        va_list rest;                                                    \
        va_start(rest, flags);                                           \
        mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(rest, mode_t) : 0; \
        va_end(rest);                                                    \
        int existed = exists(at, path);                                  \
        return opened(REAL(name)(at, path, flags, mode), at, path, flags, existed); \
    }
OPENAT(openat)
OPENAT(openat64)

int close(int fd) {
    if (fd >= 0 && fd < FILES && paths[fd] != NULL) {
        free(paths[fd]);
        paths[fd] = NULL;
    }
    return REAL(close)(fd);
}

ssize_t write(int fd, const void *data, size_t length) {
    const char *path = path_of(fd);
    if (path == NULL) return REAL(write)(fd, data, length);
    struct stat now;
    off_t at = lseek(fd, 0, SEEK_CUR);
    if (fcntl(fd, F_GETFL) & O_APPEND && fstat(fd, &now) == 0) at = now.st_size;
    ssize_t done = REAL(write)(fd, data, length);
    if (done > 0) note(WRITE, path, (uint64_t)at, data, (size_t)done);
    return done;
}

#define PWRITE(name, offset_type)                                        \
    ssize_t name(int fd, const void *data, size_t length, offset_type at) { \
        ssize_t done = REAL(name)(fd, data, length, at);                 \
        const char *path = path_of(fd);                                  \
        if (path != NULL && done > 0) note(WRITE, path, (uint64_t)at, data, (size_t)done); \
        return done;                                                     \
    }
PWRITE(pwrite, off_t)
PWRITE(pwrite64, off64_t)

#define FTRUNCATE(name, offset_type)                                     \
    int name(int fd, offset_type length) {                               \
        int failed = REAL(name)(fd, length);                             \
        const char *path = path_of(fd);                                  \
        if (path != NULL && !failed) note(TRUNCATE, path, (uint64_t)length, NULL, 0); \
        return failed;                                                   \
    }
FTRUNCATE(ftruncate, off_t)
FTRUNCATE(ftruncate64, off64_t)

#define SYNCING(name)                                                    \
    int name(int fd) {                                                   \
        const char *path = path_of(fd);                                  \
        uint64_t before = path == NULL ? 0 : journal_length();           \
        int failed = REAL(name)(fd);                                     \
        if (path != NULL && !failed) note(SYNC, path, before, NULL, 0);  \
        return failed;                                                   \
    }
SYNCING(fsync)
SYNCING(fdatasync)

int unlink(const char *path) {
    const char *name = inside(AT_FDCWD, path);
    int failed = REAL(unlink)(path);
    if (name != NULL && !failed) note(UNLINK, name, 0, NULL, 0);
    return failed;
}

int rename(const char *from, const char *to) {
    char old[PATH_MAX] = "";
    const char *name = inside(AT_FDCWD, from);
    if (name != NULL) snprintf(old, sizeof old, "%s", name);
    int failed = REAL(rename)(from, to);
    const char *new = inside(AT_FDCWD, to);
    if (name != NULL && new != NULL && !failed) note(RENAME, old, 0, new, strlen(new));
    return failed;
}

int mkdir(const char *path, mode_t mode) {
    int failed = REAL(mkdir)(path, mode);
    const char *name = inside(AT_FDCWD, path);
    if (name != NULL && !failed) note(MKDIR, name, 0, NULL, 0);
    return failed;
}
