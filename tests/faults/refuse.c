/* A preloaded library: the call number REFUSE_AT (from 0) by which a process changes the disk below
   REFUSE_BELOW fails with the error number REFUSE_WITH; a write then writes half before it fails.

       gcc -shared -fPIC -o refuse.so refuse.c -ldl
*/
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static int done;

static int counted(void) {
    const char *at = getenv("REFUSE_AT"), *with = getenv("REFUSE_WITH");
    if (!at || !with || done++ != atoi(at))
        return 0;
    errno = atoi(with);
    return 1;
}

static int below(const char *path) {
    const char *folder = getenv("REFUSE_BELOW");
    return folder && path && strncmp(path, folder, strlen(folder)) == 0;
}

static int file_below(int fd) {
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0)
        return 0;
    path[length] = 0;
    return below(path);
}

static int changes(int flags) { return flags & (O_CREAT | O_WRONLY | O_RDWR); }

int open64(const char *path, int flags, ...) {
    va_list rest;
    va_start(rest, flags);
    mode_t mode = va_arg(rest, mode_t);
    va_end(rest);
    if (changes(flags) && below(path) && counted())
        return -1;
    return ((int (*)(const char *, int, mode_t))dlsym(RTLD_NEXT, "open64"))(path, flags, mode);
}

ssize_t write(int fd, const void *data, size_t size) {
    ssize_t (*real)(int, const void *, size_t) = dlsym(RTLD_NEXT, "write");
    if (file_below(fd) && counted()) {
        int number = errno;
        real(fd, data, size / 2);
        errno = number;
        return -1;
    }
    return real(fd, data, size);
}

int fsync(int fd) {
    if (file_below(fd) && counted())
        return -1;
    return ((int (*)(int))dlsym(RTLD_NEXT, "fsync"))(fd);
}

int rename(const char *from, const char *to) {
    if (below(to) && counted())
        return -1;
    return ((int (*)(const char *, const char *))dlsym(RTLD_NEXT, "rename"))(from, to);
}

int link(const char *from, const char *to) {
    if (below(to) && counted())
        return -1;
    return ((int (*)(const char *, const char *))dlsym(RTLD_NEXT, "link"))(from, to);
}

int linkat(int a, const char *from, int b, const char *to, int flags) {
    if (below(to) && counted())
        return -1;
    int (*real)(int, const char *, int, const char *, int) = dlsym(RTLD_NEXT, "linkat");
    return real(a, from, b, to, flags);
}
