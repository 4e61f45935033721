/* SPDX-License-Identifier: Apache-2.0
 *
 * duration.c - spans of time as text for people, and ISO 8601 durations read. Pure.
 */
#include "uphole/stamp.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#define SECOND_MS UINT64_C(1000)
#define MINUTE_MS (60 * SECOND_MS)
#define HOUR_MS (60 * MINUTE_MS)
#define DAY_MS (24 * HOUR_MS)

const char *duration_to_text(int64_t ms, char into[static STAMP_TEXT_MAX])
{
    uint64_t span = ms < 0 ? 0 - (uint64_t)ms : (uint64_t)ms;
    const char *sign = ms < 0 && span >= SECOND_MS ? "-" : "";
    if (span < MINUTE_MS)
        snprintf(into, STAMP_TEXT_MAX, "%s%" PRIu64 " s", sign, span / SECOND_MS);
    else if (span < HOUR_MS)
        snprintf(into, STAMP_TEXT_MAX, "%s%" PRIu64 " min", sign, span / MINUTE_MS);
    else if (span < DAY_MS && span % HOUR_MS < MINUTE_MS)
        snprintf(into, STAMP_TEXT_MAX, "%s%" PRIu64 " h", sign, span / HOUR_MS);
    else if (span < DAY_MS)
        snprintf(into, STAMP_TEXT_MAX, "%s%" PRIu64 " h %02" PRIu64, sign, span / HOUR_MS,
                 span % HOUR_MS / MINUTE_MS);
    else if (span % DAY_MS < HOUR_MS)
        snprintf(into, STAMP_TEXT_MAX, "%s%" PRIu64 " d", sign, span / DAY_MS);
    else
        snprintf(into, STAMP_TEXT_MAX, "%s%" PRIu64 " d %" PRIu64 " h", sign, span / DAY_MS,
                 span % DAY_MS / HOUR_MS);
    return into;
}

/** The designators in the order in which they may stand; years and months have no fixed length and
 * are refused. */
static const struct {
    char letter;
    bool after_t;
    int64_t unit_ms;
} PARTS[] = {
    {'W', false, 7 * 86400000LL}, {'D', false, 86400000LL}, {'H', true, 3600000LL},
    {'M', true, 60000LL},         {'S', true, 1000LL},
};
#define PART_COUNT (sizeof PARTS / sizeof PARTS[0])

/** Digits with an optional fraction (point or comma): whole part and thousandths, the rest is cut.
 */
static bool take_number(const char **at, const char *end, int64_t *whole, int64_t *thousandths)
{
    const char *start = *at;
    *whole = *thousandths = 0;
    while (*at < end && **at >= '0' && **at <= '9') {
        if (*whole > 100000000)
            return false;
        *whole = *whole * 10 + (*(*at)++ - '0');
    }
    if (*at == start)
        return false;
    if (*at < end && (**at == '.' || **at == ',')) {
        const char *fraction = ++*at;
        for (int64_t scale = 100; *at < end && **at >= '0' && **at <= '9'; (*at)++, scale /= 10)
            *thousandths += scale * (**at - '0');
        if (*at == fraction)
            return false;
    }
    return true;
}

bool duration_from_text(const char *text, size_t length, int64_t *ms)
{
    const char *at = text, *end = text + length;
    int64_t sum = 0;
    size_t next = 0;
    bool after_t = false;
    if (at == end || *at++ != 'P' || at == end)
        return false;
    while (at < end) {
        if (*at == 'T') {
            if (after_t || ++at == end)
                return false;
            after_t = true;
        }
        int64_t whole, thousandths;
        if (!take_number(&at, end, &whole, &thousandths) || at == end)
            return false;
        while (next < PART_COUNT && (PARTS[next].letter != *at || PARTS[next].after_t != after_t))
            next++;
        if (next == PART_COUNT || (thousandths != 0 && at + 1 != end))
            return false;
        sum += whole * PARTS[next].unit_ms + thousandths * PARTS[next].unit_ms / 1000;
        next++;
        at++;
    }
    *ms = sum;
    return true;
}
