/* SPDX-License-Identifier: Apache-2.0
 *
 * power_cut.c - cuts the power of a mounted ext4: the shutdown ioctl with "no flush" drops everything that is not on disk yet, the file
 * system's own journal included. Usage: power_cut MOUNTPOINT. Source of the request: ext4's EXT4_IOC_SHUTDOWN, _IOR('X', 125, __u32), flag 2.
 */
#include <errno.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>

int main(int argc, char **argv)
{
    const uint32_t no_flush = 2;
    const int directory = argc == 2 ? open(argv[1], O_RDONLY | O_DIRECTORY) : -1;
    if (directory < 0 || ioctl(directory, _IOR('X', 125, uint32_t), &no_flush) != 0) {
        fprintf(stderr, "power_cut: %s: %s\n", argc == 2 ? argv[1] : "no directory given", strerror(errno));
        return 1;
    }
    return 0;
}
