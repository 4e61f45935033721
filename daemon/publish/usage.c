/* SPDX-License-Identifier: Apache-2.0
 *
 * usage.c - a destination's bytes of a month (rules: usage.h).
 */
#include "usage.h"

#include <stdio.h>

/* Days since 1970-01-01 to a date of the Gregorian calendar, counted in eras of 400 years that
 * begin on March 1 (common practice, no source). */
uint32_t usage_month_of(int64_t utc_ms)
{
    int64_t days = utc_ms / 86400000;
    if (utc_ms % 86400000 < 0)
        days--;
    days += 719468; /* to 0000-03-01 */
    const int64_t era = (days >= 0 ? days : days - 146096) / 146097;
    const int64_t of_era = days - era * 146097;
    const int64_t year = (of_era - of_era / 1460 + of_era / 36524 - of_era / 146096) / 365;
    const int64_t of_year = of_era - (365 * year + year / 4 - year / 100);
    const int64_t from_march = (5 * of_year + 2) / 153;
    const int64_t month = from_march < 10 ? from_march + 3 : from_march - 9;
    return (uint32_t)((year + era * 400 + (month <= 2)) * 100 + month);
}

void usage_month_end(uint32_t month, char into[static 11])
{
    const uint32_t next = month % 100 >= 12 ? (month / 100 + 1) * 100 + 1 : month + 1;
    snprintf(into, 11, "%04u-%02u-01", next / 100 % 10000, next % 100);
}

bool usage_add(struct usage *usage, uint64_t bytes, int64_t utc_ms, bool clock_is_good)
{
    const uint32_t now = usage_month_of(utc_ms);
    bool is_new = false;
    if (usage->month == 0) {
        usage->month = clock_is_good ? now : 0;
    } else if (clock_is_good && now != usage->month) {
        is_new = now > usage->month;
        if (is_new)
            usage->bytes = 0;
        usage->month = now; /* a clock that was ahead: what it counted stays counted */
    }
    usage->bytes = bytes > UINT64_MAX - usage->bytes ? UINT64_MAX : usage->bytes + bytes;
    return is_new;
}

void usage_learn(struct usage *usage, uint32_t month, uint64_t bytes)
{
    if (usage->month > month)
        return; /* of a month that is over */
    usage->month = month;
    usage->bytes = bytes > UINT64_MAX - usage->bytes ? UINT64_MAX : usage->bytes + bytes;
}

enum usage_level usage_level(const struct usage *usage, uint64_t at_most)
{
    if (at_most == 0)
        return USAGE_BELOW;
    if (usage->bytes >= at_most)
        return USAGE_USED_UP;
    return usage->bytes / USAGE_WARN_PERCENT >= at_most / 100 ? USAGE_WARNS : USAGE_BELOW;
}

const char *usage_size(uint64_t bytes, char into[static 24])
{
    static const char *const UNITS[] = {"kB", "MB", "GB", "TB"};
    double size = (double)bytes / 1000;
    size_t unit = 0;
    while (unit + 1 < sizeof UNITS / sizeof *UNITS && size >= 999.5) {
        size /= 1000;
        unit++;
    }
    snprintf(into, 24, size < 9.95 && size > 0.049 ? "%.1f %s" : "%.0f %s", size, UNITS[unit]);
    return into;
}
