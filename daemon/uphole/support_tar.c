/* SPDX-License-Identifier: Apache-2.0
 *
 * support_tar.c - see support_tar.h.
 */
#include "support_tar.h"

#include <stdarg.h>
#include <string.h>

#define BLOCK 512

/* Field widths and offsets: the header block of the standard. */
struct header {
    char name[100], mode[8], uid[8], gid[8], size[12], mtime[12], checksum[8], kind, linkname[100],
        magic[6], version[2], uname[32], gname[32], devmajor[8], devminor[8], prefix[155], rest[12];
};
_Static_assert(sizeof(struct header) == BLOCK, "a header is one block");

static void put(struct tar *tar, const void *bytes, size_t n)
{
    if (!tar->failed && fwrite(bytes, 1, n, tar->file) != n)
        tar->failed = true;
    tar->bytes += n;
}

/** Digits of base 8 and a NUL. */
static void octal(char *into, size_t room, uint64_t value)
{
    into[--room] = '\0';
    while (room > 0) {
        into[--room] = (char)('0' + (value & 7));
        value >>= 3;
    }
}

static void make_header(const struct tar *tar, struct header *header)
{
    const unsigned char *bytes = (const unsigned char *)header;
    unsigned sum = 0;
    memset(header, 0, sizeof *header);
    memcpy(header->name, tar->name, strlen(tar->name));
    memcpy(header->prefix, tar->directory, strlen(tar->directory));
    octal(header->mode, sizeof header->mode, 0600);
    octal(header->uid, sizeof header->uid, 0);
    octal(header->gid, sizeof header->gid, 0);
    octal(header->size, sizeof header->size, tar->member);
    octal(header->mtime, sizeof header->mtime, (uint64_t)(tar->mtime_s > 0 ? tar->mtime_s : 0));
    header->kind = '0';
    memcpy(header->magic, "ustar", 6);
    memcpy(header->version, "00", 2);
    memset(header->checksum, ' ', sizeof header->checksum); /* counted as blanks */
    for (size_t i = 0; i < sizeof *header; i++)
        sum += bytes[i];
    octal(header->checksum, 7, sum);
}

void tar_begin(struct tar *tar, const char *name)
{
    static const char EMPTY[BLOCK];
    snprintf(tar->name, sizeof tar->name, "%s", name);
    tar->member = 0;
    tar->members++;
    put(tar, EMPTY, BLOCK); /* its header, once its size is known */
}

void tar_write(struct tar *tar, const void *bytes, size_t n)
{
    put(tar, bytes, n);
    tar->member += n;
}

void tar_print(struct tar *tar, const char *format, ...)
{
    char text[4096];
    va_list arguments;
    va_start(arguments, format);
    const int n = vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    if (n < 0 || (size_t)n >= sizeof text)
        tar->failed = true;
    else
        tar_write(tar, text, (size_t)n);
}

void tar_end(struct tar *tar)
{
    static const char EMPTY[BLOCK];
    struct header header;
    const size_t over = tar->member % BLOCK;
    if (over > 0)
        put(tar, EMPTY, BLOCK - over);
    make_header(tar, &header);
    const long long begun =
        (long long)(tar->bytes - BLOCK - (tar->member + BLOCK - 1) / BLOCK * BLOCK);
    if (tar->failed || fseeko(tar->file, begun, SEEK_SET) != 0 ||
        fwrite(&header, 1, BLOCK, tar->file) != BLOCK || fseeko(tar->file, 0, SEEK_END) != 0)
        tar->failed = true;
}

bool tar_finish(struct tar *tar)
{
    static const char EMPTY[2 * BLOCK];
    put(tar, EMPTY, sizeof EMPTY);
    if (fflush(tar->file) != 0)
        tar->failed = true;
    return !tar->failed;
}
