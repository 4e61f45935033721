/* SPDX-License-Identifier: Apache-2.0
 *
 * support_tar.h - writes a POSIX ustar archive of plain files (IEEE Std 1003.1-2017, pax, "ustar
 * Interchange Format"). Members grow as they are written; their headers are filled in at their end,
 * so the file must be one that can be sought in.
 */
#ifndef UPHOLE_SUPPORT_TAR_H
#define UPHOLE_SUPPORT_TAR_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#define TAR_NAME_MAX 100 /* bytes of a member's name in its directory */

struct tar {
    FILE *file;
    char directory[TAR_NAME_MAX + 1]; /* every member lies in it */
    int64_t mtime_s;
    uint64_t bytes;  /* written so far, headers and all */
    uint64_t member; /* bytes of the open member */
    unsigned members;
    bool failed; /* errno of the first failure is kept by the caller */
    char name[TAR_NAME_MAX + 1];
};

void tar_begin(struct tar *tar, const char *name);
void tar_write(struct tar *tar, const void *bytes, size_t n);
__attribute__((format(printf, 2, 3))) void tar_print(struct tar *tar, const char *format, ...);
void tar_end(struct tar *tar);
/** The two blocks of zeros behind the last member; false where anything could not be written. */
bool tar_finish(struct tar *tar);

#endif
