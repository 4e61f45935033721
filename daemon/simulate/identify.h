/* SPDX-License-Identifier: Apache-2.0
 *
 * identify.h - the virtual unit's device identification.
 */
#ifndef UPHOLE_SIMULATE_IDENTIFY_H
#define UPHOLE_SIMULATE_IDENTIFY_H

#include "uphole/pdu.h"

/** Answer PDU to a request of function 2B; `map_name` is the product code it gives. */
size_t identify_answer(const char *map_name, const uint8_t *request, size_t n,
                       uint8_t answer[static PDU_MAX]);

#endif
