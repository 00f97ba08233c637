/* A disk that does not confirm what was written while the file named by FAILING_DISK is there: loaded before the C library. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdlib.h>
#include <unistd.h>

static int confirm(const char *call, int file)
{
    const char *flag = getenv("FAILING_DISK");
    if (flag && access(flag, F_OK) == 0) {
        errno = EIO;
        return -1;
    }
    int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, call);
    return real(file);
}

int fsync(int file)
{
    return confirm("fsync", file);
}

int fdatasync(int file)
{
    return confirm("fdatasync", file);
}
