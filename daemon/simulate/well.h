/* SPDX-License-Identifier: Apache-2.0
 *
 * well.h - what the invented well and the faults draw their chance from.
 */
#ifndef UPHOLE_SIMULATE_WELL_H
#define UPHOLE_SIMULATE_WELL_H

#include <stdint.h>

/** A well-mixed number of `x`; the same for the same x, on every machine. */
uint64_t simulate_mix(uint64_t x);
/** The same as a share, 0 <= share < 1. */
double simulate_share(uint64_t x);

#endif
