/* SPDX-License-Identifier: Apache-2.0
 *
 * rfc3339.c - instants as text and back, UTC, milliseconds. Pure; no time zone data, no locale.
 *
 * Days are counted in the proleptic Gregorian calendar with years that begin in March, so that the
 * leap day is the last of its year. Sources: RFC 3339 sections 5.6 and 5.7, appendices C and D;
 * POSIX.1-2017, 4.16 (seconds since the epoch count no leap seconds).
 */
#include "uphole/stamp.h"

#include <string.h>

#define DAY_MS INT64_C(86400000)
#define YEAR_0000_MS INT64_C(-62167219200000) /* 0000-01-01T00:00:00Z */
#define YEAR_9999_MS INT64_C(253402300799999) /* 9999-12-31T23:59:59.999Z */

struct civil {
    int year, month, day;
};

/** Days from 1970-01-01 to a date of years 0 to 9999. 146,097 days are 400 years. */
static int64_t days_from_civil(int year, int month, int day)
{
    int64_t y = year - (month <= 2);
    int64_t era = (y >= 0 ? y : y - 399) / 400;
    int64_t year_of_era = y - era * 400;
    int64_t day_of_year = (153 * (month + (month > 2 ? -3 : 9)) + 2) / 5 + day - 1;
    int64_t day_of_era = year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year;
    return era * 146097 + day_of_era - 719468;
}

static struct civil civil_from_days(int64_t days)
{
    int64_t z = days + 719468;
    int64_t era = (z >= 0 ? z : z - 146096) / 146097;
    int64_t day_of_era = z - era * 146097;
    int64_t year_of_era =
        (day_of_era - day_of_era / 1460 + day_of_era / 36524 - day_of_era / 146096) / 365;
    int64_t day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    int64_t month_from_march = (5 * day_of_year + 2) / 153;
    int64_t month = month_from_march < 10 ? month_from_march + 3 : month_from_march - 9;
    return (struct civil){
        .year = (int)(year_of_era + era * 400 + (month <= 2)),
        .month = (int)month,
        .day = (int)(day_of_year - (153 * month_from_march + 2) / 5 + 1),
    };
}

static int days_in_month(int year, int month)
{
    static const int DAYS[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    bool leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    return DAYS[month - 1] + (month == 2 && leap);
}

static void put_digits(char *into, int n, int64_t value)
{
    while (n > 0) {
        into[--n] = (char)('0' + value % 10);
        value /= 10;
    }
}

/** Writes the pattern's date and time; returns the milliseconds of the second. */
static int64_t put_instant(int64_t utc_ms, char *into, const char *pattern)
{
    int64_t clamped = utc_ms < YEAR_0000_MS   ? YEAR_0000_MS
                      : utc_ms > YEAR_9999_MS ? YEAR_9999_MS
                                              : utc_ms;
    int64_t of_day = (clamped % DAY_MS + DAY_MS) % DAY_MS;
    struct civil date = civil_from_days((clamped - of_day) / DAY_MS);
    memcpy(into, pattern, strlen(pattern) + 1);
    put_digits(into, 4, date.year);
    put_digits(into + 5, 2, date.month);
    put_digits(into + 8, 2, date.day);
    put_digits(into + 11, 2, of_day / 3600000);
    put_digits(into + 14, 2, of_day / 60000 % 60);
    put_digits(into + 17, 2, of_day / 1000 % 60);
    return of_day % 1000;
}

const char *stamp_to_text(int64_t utc_ms, char into[static STAMP_TEXT_MAX])
{
    put_digits(into + 20, 3, put_instant(utc_ms, into, "0000-00-00T00:00:00.000Z"));
    return into;
}

const char *stamp_to_short_text(int64_t utc_ms, char into[static STAMP_TEXT_MAX])
{
    put_instant(utc_ms, into, "0000-00-00 00:00:00Z");
    return into;
}

/** Takes exactly `n` digits; -1 where there are none. */
static int take_digits(const char **at, const char *end, int n)
{
    int value = 0;
    if (end - *at < n)
        return -1;
    for (int i = 0; i < n; i++) {
        char c = (*at)[i];
        if (c < '0' || c > '9')
            return -1;
        value = value * 10 + (c - '0');
    }
    *at += n;
    return value;
}

static bool take_one_of(const char **at, const char *end, const char *set)
{
    if (*at == end || **at == '\0' || strchr(set, **at) == NULL)
        return false;
    (*at)++;
    return true;
}

/** Fraction after the point: at least one digit; the first three count, the rest are cut. -1 where
 * it is none. */
static int take_fraction_ms(const char **at, const char *end)
{
    int ms = 0, digits = 0;
    while (*at < end && **at >= '0' && **at <= '9') {
        if (digits < 3)
            ms = ms * 10 + (**at - '0');
        digits++;
        (*at)++;
    }
    if (digits == 0)
        return -1;
    for (; digits < 3; digits++)
        ms *= 10;
    return ms;
}

/** `Z`, or `+hh:mm`; minutes east of UTC into `minutes`. -00:00 is UTC with an unknown local offset
 * (section 4.3). */
static bool take_offset(const char **at, const char *end, int *minutes)
{
    *minutes = 0;
    if (take_one_of(at, end, "Zz"))
        return true;
    bool west = *at < end && **at == '-';
    if (!take_one_of(at, end, "+-"))
        return false;
    int hour = take_digits(at, end, 2);
    if (hour < 0 || hour > 23 || !take_one_of(at, end, ":"))
        return false;
    int minute = take_digits(at, end, 2);
    if (minute < 0 || minute > 59)
        return false;
    *minutes = (west ? -1 : 1) * (hour * 60 + minute);
    return true;
}

/** A leap second stands only at the end of a month, 23:59:60 UTC (section 5.7); `ms` is of the
 * second after it. */
static bool leap_second_is_possible(int64_t ms)
{
    return ms % DAY_MS >= 0 && ms % DAY_MS < 1000 && civil_from_days(ms / DAY_MS).day == 1;
}

bool stamp_from_text(const char *text, size_t length, int64_t *utc_ms)
{
    const char *at = text, *end = text + length;
    int year = take_digits(&at, end, 4);
    if (year < 0 || !take_one_of(&at, end, "-"))
        return false;
    int month = take_digits(&at, end, 2);
    if (month < 1 || month > 12 || !take_one_of(&at, end, "-"))
        return false;
    int day = take_digits(&at, end, 2);
    if (day < 1 || day > days_in_month(year, month) || !take_one_of(&at, end, "Tt"))
        return false;
    int hour = take_digits(&at, end, 2);
    if (hour < 0 || hour > 23 || !take_one_of(&at, end, ":"))
        return false;
    int minute = take_digits(&at, end, 2);
    if (minute < 0 || minute > 59 || !take_one_of(&at, end, ":"))
        return false;
    int second = take_digits(&at, end, 2), ms = 0, offset_minutes = 0;
    if (second < 0 || second > 60)
        return false;
    if (take_one_of(&at, end, ".") && (ms = take_fraction_ms(&at, end)) < 0)
        return false;
    if (!take_offset(&at, end, &offset_minutes) || at != end)
        return false;
    int64_t minutes =
        days_from_civil(year, month, day) * 1440 + hour * 60 + minute - offset_minutes;
    int64_t result = minutes * 60000 + second * INT64_C(1000);
    if (second == 60) {
        if (!leap_second_is_possible(result))
            return false;
        ms = 0;
    }
    *utc_ms = result + ms;
    return true;
}
