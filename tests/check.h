/* SPDX-License-Identifier: Apache-2.0
 *
 * check.h - what cmocka lacks: comparison of doubles as doubles (its own narrows to float), and names in messages.
 */
#ifndef UPHOLE_TESTS_CHECK_H
#define UPHOLE_TESTS_CHECK_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

/* What only repeats itself with other seeds does so less often under a sanitizer, which takes 3 to 15
 * times as long: the release build tries them all. */
#if defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(thread_sanitizer)
#define CHECK_IS_SANITIZED 1
#endif
#endif
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__) || defined(CHECK_IS_SANITIZED)
#define CHECK_SPARINGLY(usual, sparing) (sparing)
#else
#define CHECK_SPARINGLY(usual, sparing) (usual)
#endif

static inline void check_close(const char *what, double got, double want, double absolute)
{
    if (isnan(want) ? isnan(got) : fabs(got - want) <= absolute)
        return;
    fail_msg("%s: got %.17g, expected %.17g within %.3g", what, got, want, absolute);
}
static inline void check_close_relative(const char *what, double got, double want, double relative)
{
    check_close(what, got, want, fabs(want) * relative);
}
static inline void check_text(const char *what, const char *got, const char *want)
{
    if (strcmp(got, want) != 0)
        fail_msg("%s:\n  got      \"%s\"\n  expected \"%s\"", what, got, want);
}
static inline void check_count(const char *what, long long got, long long want)
{
    if (got != want)
        fail_msg("%s: got %lld, expected %lld", what, got, want);
}

#endif
