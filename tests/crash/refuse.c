/* Refuses one system call: preloaded into a program, this counts the calls on files whose path contains the text in
 * AMPWAKE_REFUSE_PATH, and lets call number AMPWAKE_REFUSE_CALL fail with the error AMPWAKE_REFUSE_ERROR (all from that
 * one on where AMPWAKE_REFUSE_FROM is set; only those that need room on the disk where AMPWAKE_REFUSE_GROWTH is set; only
 * while there is a file AMPWAKE_REFUSE_WHILE where that is set). It
 * makes the file AMPWAKE_REFUSE_MARK when it did, with the name of the call. The program has one thread while it matters. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <unistd.h>

#define DESCRIPTORS 1024
static char watched[DESCRIPTORS];
static long calls;

static int is_ours(const char *path) {
    const char *part = getenv("AMPWAKE_REFUSE_PATH");
    return part && path && strstr(path, part) != NULL;
}

/* 1 where this call is to fail; errno is set then. */
static int refused(const char *name, int grows) {
    const char *at = getenv("AMPWAKE_REFUSE_CALL"), *error = getenv("AMPWAKE_REFUSE_ERROR");
    if (!at || !error || (getenv("AMPWAKE_REFUSE_GROWTH") && !grows)) return 0;
    long number = atol(at);
    const char *present = getenv("AMPWAKE_REFUSE_WHILE");
    if (present && access(present, F_OK) != 0) return 0;
    /* With AMPWAKE_REFUSE_HOLD the call does not fail: it hangs while that file is there. */
    if (present && getenv("AMPWAKE_REFUSE_HOLD")) {
        while (access(present, F_OK) == 0) usleep(10000);
        return 0;
    }
    calls++;
    if (calls < number || (calls > number && !getenv("AMPWAKE_REFUSE_FROM"))) return 0;
    if (calls == number) {
        const char *mark = getenv("AMPWAKE_REFUSE_MARK");
        long fd = mark ? syscall(SYS_openat, AT_FDCWD, mark, O_CREAT | O_WRONLY | O_TRUNC, 0600) : -1;
        if (fd >= 0) {
            if (syscall(SYS_write, fd, name, strlen(name)) < 0) abort();
            syscall(SYS_close, fd);
        }
    }
    errno = atoi(error);
    return 1;
}

static int is_watched(int fd) { return fd >= 0 && fd < DESCRIPTORS && watched[fd]; }

static int opened(int fd, const char *path) {
    if (fd >= 0 && fd < DESCRIPTORS) watched[fd] = is_ours(path);
    return fd;
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

#define OPEN(name)                                                                                    \
    int name(const char *path, int flags, ...) {                                                      \
        va_list arguments;                                                                            \
        va_start(arguments, flags);                                                                   \
        mode_t mode = flags & O_CREAT ? va_arg(arguments, mode_t) : 0;                                \
        va_end(arguments);                                                                            \
        if (is_ours(path) && refused("open", (flags & O_CREAT) != 0)) return -1;                      \
        return opened(REAL(name)(path, flags, mode), path);                                           \
    }
OPEN(open)
OPEN(open64)

int close(int fd) {
    if (fd >= 0 && fd < DESCRIPTORS) watched[fd] = 0;
    return REAL(close)(fd);
}

#define ON_DESCRIPTOR(result, name, grows, parameters, arguments)              \
    result name parameters {                                                   \
        if (is_watched(fd) && refused(#name, grows)) return -1;                \
        return REAL(name) arguments;                                           \
    }
ON_DESCRIPTOR(ssize_t, read, 0, (int fd, void *to, size_t n), (fd, to, n))
ON_DESCRIPTOR(ssize_t, pread, 0, (int fd, void *to, size_t n, off_t at), (fd, to, n, at))
ON_DESCRIPTOR(ssize_t, pread64, 0, (int fd, void *to, size_t n, off64_t at), (fd, to, n, at))
ON_DESCRIPTOR(ssize_t, write, 1, (int fd, const void *from, size_t n), (fd, from, n))
ON_DESCRIPTOR(ssize_t, pwrite, 1, (int fd, const void *from, size_t n, off_t at), (fd, from, n, at))
ON_DESCRIPTOR(ssize_t, pwrite64, 1, (int fd, const void *from, size_t n, off64_t at), (fd, from, n, at))
ON_DESCRIPTOR(int, fsync, 0, (int fd), (fd))
ON_DESCRIPTOR(int, fdatasync, 0, (int fd), (fd))
ON_DESCRIPTOR(int, ftruncate, 1, (int fd, off_t n), (fd, n))
ON_DESCRIPTOR(int, ftruncate64, 1, (int fd, off64_t n), (fd, n))

int unlink(const char *path) {
    if (is_ours(path) && refused("unlink", 0)) return -1;
    return REAL(unlink)(path);
}

int rename(const char *from, const char *to) {
    if ((is_ours(from) || is_ours(to)) && refused("rename", 1)) return -1;
    return REAL(rename)(from, to);
}
