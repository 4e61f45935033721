/* SPDX-License-Identifier: Apache-2.0
 *
 * faults.h - a fault script as parsed: rules in the order of the file.
 */
#ifndef UPHOLE_SIMULATE_FAULTS_H
#define UPHOLE_SIMULATE_FAULTS_H

#include <stdbool.h>
#include <stdint.h>

#include "uphole/simulate.h"

#define FAULT_RULES_MAX 200
#define ANY (-1)

enum fault_kind {
    FAULT_NONE = 0,
    /* of one answer */
    FAULT_LATE,
    FAULT_DUPLICATE,
    FAULT_TRUNCATED,
    FAULT_FOREIGN_UNIT,
    FAULT_WRONG_FUNCTION,
    FAULT_BAD_CHECKSUM,
    FAULT_SILENCE,
    FAULT_EXCEPTION,
    FAULT_STRAY,
    /* a state that lasts */
    FAULT_FIRST_STATE,
    FAULT_GAUGE_LOST = FAULT_FIRST_STATE,
    FAULT_POWER_CYCLE,
    FAULT_CONVERTER_GONE,
    FAULT_UNIT_SETTING, /* of values and register, */
    FAULT_UNIT_VALUES,  /* of the values alone, */
    FAULT_UNIT_SHOWN,   /* of the register alone */
    FAULT_SECOND_MASTER,
    FAULT_KINDS
};
const char *fault_kind_name(uint8_t kind);

struct fault_rule {
    uint8_t kind;
    bool has_time;                  /* `at` or `every`; without them the rule always holds */
    int64_t at_us;                  /* first occurrence */
    int64_t every_us;               /* 0: once */
    int64_t for_us;                 /* ANY: one answer, or (states) to the end */
    double probability;             /* 1 where no `random` stands */
    char line[NAME_LENGTH_MAX + 1]; /* "" any */
    int32_t unit, function, first_register, last_register; /* ANY */
    int64_t low, high;   /* the kind's argument: us, bytes, a code, a unit id; drawn between them */
    int32_t script_line; /* where it stands */
};
struct fault_script {
    unsigned n;
    struct fault_rule rule[FAULT_RULES_MAX];
};

/** Whether the rule holds at `since_us` after the start, and in which occurrence (0 for one without
 * time). */
bool fault_rule_holds(const struct fault_rule *rule, int64_t since_us, int64_t *occurrence);
/** The next start or end of a state after `since_us`; INT64_MAX: none. */
int64_t fault_rule_next_edge(const struct fault_rule *rule, int64_t since_us);

#endif
