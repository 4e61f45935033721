/* SPDX-License-Identifier: Apache-2.0
 *
 * quality.h - one byte that says how far a value can be trusted, and why (points.md section 3).
 * Bits 7-6: 11 Good, 01 Uncertain, 00 Bad, 10 never sent. Bits 5-0: the reason. 0 is "no data", so a zeroed table is never good.
 */
#ifndef UPHOLE_QUALITY_H
#define UPHOLE_QUALITY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum quality {
    QUALITY_NO_DATA = 0,
    QUALITY_NOT_MAPPED = 1,
    QUALITY_NOT_FITTED = 2,
    QUALITY_LINE_DOWN = 3,
    QUALITY_GAUGE_SILENT = 4,
    QUALITY_CHANNEL_FAULT = 5,
    QUALITY_IMPOSSIBLE = 6,
    QUALITY_INPUT_BAD = 7,
    QUALITY_NOT_CONFIGURED = 8,
    QUALITY_OUT_OF_DOMAIN = 9,
    QUALITY_PUMP_STOPPED = 10,
    QUALITY_TOO_FEW = 11,
    QUALITY_GAP_IN_WINDOW = 12,
    QUALITY_NO_SOLUTION = 13,
    QUALITY_STARTING = 14,
    QUALITY_STALE = 64,
    QUALITY_UNIT_UNCONFIRMED = 65,
    QUALITY_UNUSUAL = 66,
    QUALITY_FROZEN = 67,
    QUALITY_CLOCK_UNSURE = 68,
    QUALITY_INPUT_UNSURE = 69,
    QUALITY_STEP_UNCONFIRMED = 70,
    QUALITY_LINE_DISTURBED = 71,
    QUALITY_OUTSIDE_VALIDITY = 72,
    QUALITY_EXTRAPOLATED = 73,
    QUALITY_LIMITED = 74,
    QUALITY_NOT_JOURNALED = 75,
    QUALITY_GOOD = 192
};

enum quality_class { QUALITY_CLASS_BAD = 0, QUALITY_CLASS_UNCERTAIN = 1, QUALITY_CLASS_GOOD = 3 };

struct quality_row {
    uint8_t code;
    const char *name;    /* "not_fitted" */
    const char *meaning; /* one clause for people */
    bool sends_value;    /* in a record; line_down and gauge_silent keep the last value only in `latest` */
    bool keeps_last;     /* latest may carry the last value, marked */
    uint32_t opc_ua;     /* nearest OPC UA status code (OPC 10000-4) */
    const char *opc_ua_name;
    uint16_t sparkplug;  /* 192, 500 or 0 */
};

size_t quality_count(void);
const struct quality_row *quality_row_at(size_t index); /* in order of code */
/** The row of a code; NULL for a code that is never sent. */
const struct quality_row *quality_find(uint8_t code);
const char *quality_name(uint8_t code); /* "unknown" for a code that is never sent */
static inline enum quality_class quality_class_of(uint8_t code)
{
    return code >> 6 == 3 ? QUALITY_CLASS_GOOD
           : code >> 6 == 1 ? QUALITY_CLASS_UNCERTAIN
                            : QUALITY_CLASS_BAD;
}
/** Of two reasons that apply at once the one to send, by the order of points.md section 3. */
uint8_t quality_first(uint8_t a, uint8_t b);
/** Place in that order, 0 first; unknown codes come first of all (never hidden). */
unsigned quality_rank(uint8_t code);
/**
 * Combines inputs of a derived value: any required Bad -> 7; else any required Uncertain or any optional not Good -> 69; else 192.
 * `worst` (may be NULL) receives the index of the input that decided (required first, then optional), or -1.
 */
uint8_t quality_combine(const uint8_t *required, size_t n_required, const uint8_t *optional,
                        size_t n_optional, int *worst);

#endif
