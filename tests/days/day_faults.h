/* SPDX-License-Identifier: Apache-2.0
 *
 * day_faults.h - an evil line for the lock-step harness.
 */
#ifndef UPHOLE_TESTS_DAY_FAULTS_H
#define UPHOLE_TESTS_DAY_FAULTS_H

#include "day.h"

#define EVIL_OLD_MAX 8

struct evil {
    uint64_t state;     /* the seed, to begin with */
    unsigned per_mille; /* of answers that are harmed */
    uint64_t harmed;
    struct day_answer old[EVIL_OLD_MAX];
    uint8_t question[EVIL_OLD_MAX][8]; /* of each old answer */
    size_t n_old;
};
/** Matches day_options.fault; context is a struct evil. */
void evil_harm(struct day *day, void *context, uint16_t line, const uint8_t *request,
               size_t n_request, struct day_answer *answer);

#endif
