/* A wall clock that is ahead by the seconds in the file CLOCK_AHEAD, as somebody sets it; without the file it is right. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

int clock_gettime(clockid_t id, struct timespec *now) {
    int (*next)(clockid_t, struct timespec *) = dlsym(RTLD_NEXT, "clock_gettime");
    int outcome = next(id, now);
    const char *path = getenv("CLOCK_AHEAD");
    FILE *file = id == CLOCK_REALTIME && path ? fopen(path, "r") : NULL;
    long seconds = 0;
    if (file) {
        if (fscanf(file, "%ld", &seconds) == 1) now->tv_sec += seconds;
        fclose(file);
    }
    return outcome;
}
