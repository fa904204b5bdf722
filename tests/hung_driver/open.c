/* A driver that never answers: opening the device HUNG_DEVICE does not return where the file HUNG_WHILE is there, which goes
   as the first one hangs. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static void hang(const char *path) {
    const char *device = getenv("HUNG_DEVICE"), *flag = getenv("HUNG_WHILE");
    if (device && flag && strcmp(path, device) == 0 && unlink(flag) == 0)
        for (;;) pause();
}

#define OPEN(name)                                                             \
    int name(const char *path, int flags, ...) {                               \
        va_list rest;                                                          \
        va_start(rest, flags);                                                 \
        mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(rest, mode_t) : 0; \
        va_end(rest);                                                          \
        hang(path);                                                            \
        int (*next)(const char *, int, ...) = dlsym(RTLD_NEXT, #name);         \
        return next(path, flags, mode);                                        \
    }

OPEN(open)
OPEN(open64)
