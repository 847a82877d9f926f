/* Lets User-Mode Linux before 6.13 run on processors with a large register file (AMX).
 *
 * It keeps 2696 bytes of the extended state per thread and writes that many back with PTRACE_SETREGSET; the host takes
 * nothing less than its whole state, answers EFAULT, and the guest panics in its first process ("ptrace set fp regs
 * failed, errno = 14"). Preloaded, this completes the write with what the process has: the missing part is the AMX tiles,
 * which no program of the guest has asked for. Layout: standard XSAVE form, Intel SDM volume 1, chapter 13. */
#define _GNU_SOURCE
#include <errno.h>
#include <stdarg.h>
#include <string.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

enum { GETREGSET = 0x4204, SETREGSET = 0x4205, XSTATE = 0x202 };

/* Not on the stack: the caller's is a kernel's, and small. The caller has one thread. */
static char whole[64 * 1024];

/* The system call itself, without the C library's special treatment of PEEK requests. */
static long raw(long request, long pid, void *address, void *data) {
    return syscall(SYS_ptrace, request, pid, address, data);
}

long ptrace(int request, ...) {
    va_list arguments;
    va_start(arguments, request);
    long pid = va_arg(arguments, int);
    void *address = va_arg(arguments, void *);
    void *data = va_arg(arguments, void *);
    va_end(arguments);
    if (request == SETREGSET && (long)address == XSTATE) {
        struct iovec *given = data, full = {whole, sizeof whole};
        if (raw(GETREGSET, pid, address, &full) == 0 && given->iov_len < full.iov_len) {
            memcpy(whole, given->iov_base, given->iov_len);
            return raw(SETREGSET, pid, address, &full);
        }
    }
    if (request >= 1 && request <= 3) { /* PEEKTEXT, PEEKDATA, PEEKUSER: the C library returns the word itself */
        long word;
        long result = raw(request, pid, address, &word);
        if (result < 0) return result;
        errno = 0;
        return word;
    }
    return raw(request, pid, address, data);
}
