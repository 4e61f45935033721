/* SPDX-License-Identifier: Apache-2.0
 *
 * cut_power.c - cuts the power of a mounted ext4: everything that is not on disk yet is dropped,
 * the file system's journal included. `cut_power MOUNT_POINT`. The ioctl is the kernel's own
 * "shutdown" (EXT4_IOC_SHUTDOWN, flag 2: no log flush), for such tests.
 */
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <sys/ioctl.h>
#include <unistd.h>

int main(int argc, char **argv)
{
    uint32_t no_log_flush = 2;
    const int fd = argc == 2 ? open(argv[1], O_RDONLY | O_DIRECTORY) : -1;
    if (fd < 0 || ioctl(fd, _IOR('X', 125, uint32_t), &no_log_flush) != 0) {
        perror("cut_power");
        return 1;
    }
    close(fd);
    return 0;
}
