/* SPDX-License-Identifier: Apache-2.0
 *
 * json_inside.h - what the writer and the reader of JSON share.
 */
#ifndef UPHOLE_BASE_JSON_INSIDE_H
#define UPHOLE_BASE_JSON_INSIDE_H

#include <stddef.h>

/** Length of the well-formed UTF-8 sequence at `at` (Unicode 15, table 3-7), or 0. What is behind
 * it ends with a NUL, which no sequence holds. */
size_t json_utf8_length(const unsigned char *at);

#endif
