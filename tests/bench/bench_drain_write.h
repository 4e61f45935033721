/* SPDX-License-Identifier: Apache-2.0
 *
 * bench_drain_write.h - rows held as numbers, and their text written as it is sent.
 */
#ifndef UPHOLE_BENCH_DRAIN_WRITE_H
#define UPHOLE_BENCH_DRAIN_WRITE_H

#include <stdbool.h>
#include <stddef.h>

#define DRAIN_MESSAGE_MAX (256 * 1024)

struct drain_rows;
/** Reads all of a file that bench_drain.py made; number of messages, and ends the program where the
 * text of a message is not, byte by byte, what the file says it was. */
size_t drain_rows_read(const char *path, struct drain_rows **out);
/** The text of message `i`; its length. `with_printf`: numbers and times by the C library, else by
 * the project's whole-number arithmetic. */
size_t drain_rows_write(const struct drain_rows *rows, size_t i, bool with_printf,
                        char into[static DRAIN_MESSAGE_MAX]);
char *drain_rows_topic(const struct drain_rows *rows, size_t i);

#endif
