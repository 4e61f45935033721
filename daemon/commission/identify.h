/* SPDX-License-Identifier: Apache-2.0
 *
 * identify.h - the objects of an identification, taken from an answer nobody vouches for (pure).
 */
#ifndef UPHOLE_COMMISSION_IDENTIFY_H
#define UPHOLE_COMMISSION_IDENTIFY_H

#include "uphole/commission.h"

/** Adds the objects of one answer, escaped. True where more follow, from object `next` on. */
bool identify_take(const uint8_t *pdu, size_t n, struct find_unit *unit, uint8_t *next);

#endif
