/* SPDX-License-Identifier: Apache-2.0
 *
 * same.c - whether a stanza asks for the same in two plans, so that what serves it may go on.
 *
 * Compared byte by byte but for where it stands in its file: a key that is added later can't be
 * forgotten here. Both were made by the same parser in zeroed memory; a difference in bytes that
 * mean nothing would only cost a connection.
 */
#include "uphole/plan.h"

#include <string.h>

bool destination_is_same(const struct destination_plan *a, const struct destination_plan *b)
{
    struct destination_plan left, right;
    memcpy(&left, a, sizeof left);
    memcpy(&right, b, sizeof right);
    left.config_line = right.config_line = 0;
    return memcmp(&left, &right, sizeof left) == 0;
}
