/* Preloaded before the C library: counts the system calls that touch files under one folder, and at
   the n-th kills the process, or lets the call fail; and makes the clock jump. Armed by arm(). */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

enum { OFF, COUNT, KILL, FULL, ONCE };
enum { CHANGE = 1, GROW = 2, LOOK = 4 };

static char folder[PATH_MAX];
static int mode = OFF, code = 0, kinds = 0;
static long nth = 0, seen = 0, jump_at = 0, jump_s = 0, asked = 0;

void arm(const char *where, int what, int which, long at, int error) {
    strncpy(folder, where, sizeof folder - 1);
    kinds = which; nth = at; code = error; seen = 0;
    mode = what;
}
void arm_clock(long at, long seconds) { asked = 0; jump_s = seconds; jump_at = at; }
long counted(void) { mode = OFF; return seen; }
long clock_asked(void) { return asked; }

static int ours(const char *path) {
    static __thread char full[2 * PATH_MAX], cwd[PATH_MAX];
    if (!path) return 0;
    if (path[0] != '/' && getcwd(cwd, sizeof cwd)) {
        snprintf(full, sizeof full, "%s/%s", cwd, path);
        path = full;
    }
    return strncmp(path, folder, strlen(folder)) == 0;
}
static int ours_fd(int fd) {
    char link[64], path[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = syscall(SYS_readlink, link, path, sizeof path - 1);
    if (n < 0) return 0;
    path[n] = 0;
    return ours(path);
}
/* 1 when the call has to fail. */
static int strikes(int kind) {
    if (mode == OFF || !(kind & kinds)) return 0;
    long now = __sync_add_and_fetch(&seen, 1);
    if (mode == KILL && now == nth) { syscall(SYS_kill, getpid(), SIGKILL); for (;;) pause(); }
    if ((mode == FULL && now >= nth) || (mode == ONCE && now == nth)) { errno = code; return 1; }
    return 0;
}
#define REAL(name) ((__typeof__(&name)) dlsym(RTLD_NEXT, #name))
#define PATHED(type, name, sign, kind, path, call)                      \
    type name sign {                                                    \
        static __typeof__(&name) real; if (!real) real = REAL(name);    \
        if (mode != OFF && ours(path) && strikes(kind)) return -1;      \
        return real call;                                               \
    }
#define OPENED(type, name, sign, kind, fd, call)                        \
    type name sign {                                                    \
        static __typeof__(&name) real; if (!real) real = REAL(name);    \
        if (mode != OFF && ours_fd(fd) && strikes(kind)) return -1;     \
        return real call;                                               \
    }
#define OPENS(name)                                                     \
    int name(const char *p, int flags, ...) {                           \
        static int (*real)(const char *, int, ...);                     \
        if (!real) real = (int (*)(const char *, int, ...)) dlsym(RTLD_NEXT, #name); \
        va_list more; va_start(more, flags); mode_t m = va_arg(more, mode_t); va_end(more); \
        int kind = flags & O_CREAT ? CHANGE | GROW : LOOK;              \
        if (mode != OFF && ours(p) && strikes(kind)) return -1;         \
        return real(p, flags, m);                                       \
    }
OPENS(open)
OPENS(open64)
PATHED(int, rename, (const char *a, const char *b), CHANGE, b, (a, b))
PATHED(int, renameat, (int d, const char *a, int e, const char *b), CHANGE, b, (d, a, e, b))
PATHED(int, link, (const char *a, const char *b), CHANGE | GROW, b, (a, b))
PATHED(int, linkat, (int d, const char *a, int e, const char *b, int f), CHANGE | GROW, b, (d, a, e, b, f))
PATHED(int, unlink, (const char *a), CHANGE, a, (a))
PATHED(int, rmdir, (const char *a), CHANGE, a, (a))
PATHED(int, mkdir, (const char *a, mode_t m), CHANGE | GROW, a, (a, m))
OPENED(ssize_t, write, (int fd, const void *b, size_t n), CHANGE | GROW, fd, (fd, b, n))
OPENED(ssize_t, pwrite64, (int fd, const void *b, size_t n, off64_t o), CHANGE | GROW, fd, (fd, b, n, o))
OPENED(ssize_t, writev, (int fd, const struct iovec *v, int n), CHANGE | GROW, fd, (fd, v, n))
OPENED(int, ftruncate64, (int fd, off64_t n), CHANGE | GROW, fd, (fd, n))
OPENED(int, fsync, (int fd), CHANGE | GROW, fd, (fd))
OPENED(ssize_t, read, (int fd, void *b, size_t n), LOOK, fd, (fd, b, n))

int clock_gettime(clockid_t which, struct timespec *t) {
    int got = syscall(SYS_clock_gettime, which, t);
    if (which == CLOCK_REALTIME && jump_at && __sync_add_and_fetch(&asked, 1) >= jump_at)
        t->tv_sec += jump_s;
    return got;
}
