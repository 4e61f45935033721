/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_record.c - names, begin and sums of a loop check's record. See uphole/loop.h.
 */
#include "uphole/loop.h"

#include <math.h>
#include <string.h>

const char *loop_result_name(uint8_t result)
{
    static const char *const NAMES[LOOP_RESULTS] = {"open", "pass", "fail", "not_fitted",
                                                    "skipped"};
    return result < LOOP_RESULTS ? NAMES[result] : "unknown";
}

const char *loop_outage_name(uint8_t kind)
{
    static const char *const NAMES[LOOP_OUTAGE_KINDS] = {"none", "asking", "network", "program"};
    return kind < LOOP_OUTAGE_KINDS ? NAMES[kind] : "unknown";
}

struct loop_channel loop_open_channel(uint16_t point, uint8_t source, uint8_t table,
                                      uint16_t address)
{
    return (struct loop_channel){.point = point,
                                 .source = source,
                                 .table = table,
                                 .address = address,
                                 .expected_value = NAN,
                                 .tolerance = NAN,
                                 .difference = NAN,
                                 .value = NAN,
                                 .mqtt.value = NAN,
                                 .served.value = NAN};
}

unsigned loop_count(const struct loop_record *record, uint8_t result)
{
    unsigned n = 0;
    for (unsigned i = 0; i < record->n_channels; i++)
        n += record->channel[i].result == result;
    return n;
}

unsigned loop_count_numberless(const struct loop_record *record)
{
    unsigned n = 0;
    for (unsigned i = 0; i < record->n_channels; i++)
        n += record->channel[i].result == LOOP_SKIPPED &&
             strcmp(record->channel[i].verdict, LOOP_NO_NUMBER) == 0;
    return n;
}

bool loop_is_done(const struct loop_record *record)
{
    for (unsigned i = 0; i < record->n_outages; i++)
        if (record->outage[i].result == LOOP_OPEN)
            return false;
    return loop_count(record, LOOP_OPEN) == 0;
}

bool loop_has_passed(const struct loop_record *record)
{
    for (unsigned i = 0; i < record->n_outages; i++)
        if (record->outage[i].result == LOOP_FAIL)
            return false;
    return loop_count(record, LOOP_FAIL) == 0;
}
