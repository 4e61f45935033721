/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_physics.h - how likely a set of true values is in a pumped well; private to measure.
 */
#ifndef UPHOLE_UNIT_PHYSICS_H
#define UPHOLE_UNIT_PHYSICS_H

#include "uphole/unit_doubt.h"

#define ATMOSPHERE_KPA 101.325   /* standard, NIST SP 811 (2008) app. B */
#define LIKELIHOOD_FLOOR (-60.0) /* natural logarithm: this can't be */

/**
 * Natural logarithm of the density of `value[i]` (true, unit inside) for channel i, the others
 * being as in `value` too; densities over ln(pressure) and over K, so that hypotheses compare. 0
 * where physics says nothing of such a point.
 */
double unit_likelihood(const struct unit_channel *channels, const double *value, size_t n, size_t i,
                       const struct unit_well *well);
/** No value whatever gives this channel a higher likelihood; for a judgement that may end early. */
double unit_likelihood_peak(const struct unit_channel *channel, const struct unit_well *well);
/** True where `unit_likelihood` says something of such a point. */
bool unit_is_judged(unsigned point);

#endif
