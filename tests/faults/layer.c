/* System calls that fail on order: preloaded into the program, it counts the calls of one kind on files below one
 * directory, in all its processes together, and makes the Nth of them (or all from the Nth on) do what was asked.
 * Built and steered by layer.py. */
#define _GNU_SOURCE
#include <dirent.h>
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <poll.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

enum { SHORT = -1, HANG = -2 };

static struct {
    char kind[16];
    char below[PATH_MAX];
    int nth, onwards, what;
    atomic_int seen, done;
} *shared;

void layer_arm(const char *kind, const char *below, int nth, int onwards, int what)
{
    if (!shared)
        shared = mmap(NULL, sizeof *shared, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    snprintf(shared->kind, sizeof shared->kind, "%s", kind);
    snprintf(shared->below, sizeof shared->below, "%s", below);
    shared->nth = nth;
    shared->onwards = onwards;
    shared->what = what;
    shared->seen = 0;
    shared->done = 0;
}

int layer_seen(void) { return shared ? shared->seen : 0; }
int layer_done(void) { return shared ? shared->done : 0; }

static int is_below(const char *path)
{
    size_t length = strlen(shared->below);
    return path && !strncmp(path, shared->below, length) && (path[length] == '/' || !path[length]);
}

static int names(int descriptor, char *into)
{
    char place[32];
    ssize_t length;
    snprintf(place, sizeof place, "/proc/self/fd/%d", descriptor);
    length = syscall(SYS_readlinkat, AT_FDCWD, place, into, PATH_MAX - 1);
    into[length > 0 ? length : 0] = 0;
    return length > 0;
}

/* Whether this call is the one: 0, or what it is to do. */
static int struck(const char *kind, const char *path, int descriptor)
{
    char name[PATH_MAX];
    int number;
    if (!shared || strcmp(shared->kind, kind))
        return 0;
    if (!path && descriptor >= 0 && names(descriptor, name))
        path = name;
    if (!is_below(path))
        return 0;
    number = ++shared->seen;
    if (number != shared->nth && !(shared->onwards && number > shared->nth))
        return 0;
    ++shared->done;
    if (shared->what == HANG)
        for (;;)
            poll(NULL, 0, -1);
    return shared->what;
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
#define FAIL(kind, path, descriptor) \
    do { \
        int what = struck(kind, path, descriptor); \
        if (what > 0) { \
            errno = what; \
            return -1; \
        } \
    } while (0)

#define OPENING(name) \
    int name(const char *path, int flags, ...) \
    { \
        va_list more; \
        va_start(more, flags); \
        mode_t mode = va_arg(more, mode_t); \
        va_end(more); \
        FAIL("open", path, -1); \
        return REAL(name)(path, flags, mode); \
    }
OPENING(open)
OPENING(open64)

#define OPENING_AT(name) \
    int name(int at, const char *path, int flags, ...) \
    { \
        va_list more; \
        va_start(more, flags); \
        mode_t mode = va_arg(more, mode_t); \
        va_end(more); \
        FAIL("open", path, -1); \
        return REAL(name)(at, path, flags, mode); \
    }
OPENING_AT(openat)
OPENING_AT(openat64)

DIR *opendir(const char *path)
{
    int what = struck("list", path, -1);
    if (what > 0) {
        errno = what;
        return NULL;
    }
    return REAL(opendir)(path);
}

#define SHORTENED(size) (what == SHORT && (size) > 1 ? (size) / 2 : what == SHORT ? 0 : (size))

ssize_t read(int descriptor, void *into, size_t size)
{
    int what = struck("read", NULL, descriptor);
    if (what > 0) {
        errno = what;
        return -1;
    }
    return REAL(read)(descriptor, into, SHORTENED(size));
}

#define READING_AT(name, offset_t) \
    ssize_t name(int descriptor, void *into, size_t size, offset_t at) \
    { \
        int what = struck("read", NULL, descriptor); \
        if (what > 0) { \
            errno = what; \
            return -1; \
        } \
        return REAL(name)(descriptor, into, SHORTENED(size), at); \
    }
READING_AT(pread, off_t)
READING_AT(pread64, off64_t)

ssize_t write(int descriptor, const void *from, size_t size)
{
    int what = struck("write", NULL, descriptor);
    if (what > 0) {
        errno = what;
        return -1;
    }
    return REAL(write)(descriptor, from, what == SHORT && size > 1 ? size / 2 : size);
}

ssize_t readlink(const char *path, char *into, size_t size)
{
    FAIL("readlink", path, -1);
    return REAL(readlink)(path, into, size);
}

ssize_t readlinkat(int at, const char *path, char *into, size_t size)
{
    FAIL("readlink", path, -1);
    return REAL(readlinkat)(at, path, into, size);
}

int fsync(int descriptor)
{
    FAIL("fsync", NULL, descriptor);
    return REAL(fsync)(descriptor);
}

int fdatasync(int descriptor)
{
    FAIL("fsync", NULL, descriptor);
    return REAL(fdatasync)(descriptor);
}

int close(int descriptor)
{
    int what = struck("close", NULL, descriptor);
    int result = REAL(close)(descriptor); /* the kernel lets go of it whatever it answers */
    if (what > 0) {
        errno = what;
        return -1;
    }
    return result;
}

int rename(const char *from, const char *to)
{
    FAIL("rename", to, -1);
    return REAL(rename)(from, to);
}

int renameat(int at, const char *from, int to_at, const char *to)
{
    FAIL("rename", to, -1);
    return REAL(renameat)(at, from, to_at, to);
}

int unlink(const char *path)
{
    FAIL("unlink", path, -1);
    return REAL(unlink)(path);
}

#define ASKING(name, stat_t) \
    int name(const char *path, stat_t *into) \
    { \
        FAIL("stat", path, -1); \
        return REAL(name)(path, into); \
    }
ASKING(stat, struct stat)
ASKING(lstat, struct stat)
ASKING(stat64, struct stat64)
ASKING(lstat64, struct stat64)

#define ASKING_AT(name, stat_t) \
    int name(int at, const char *path, stat_t *into, int flags) \
    { \
        FAIL("stat", path, -1); \
        return REAL(name)(at, path, into, flags); \
    }
ASKING_AT(fstatat, struct stat)
ASKING_AT(fstatat64, struct stat64)
