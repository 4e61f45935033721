/* SPDX-License-Identifier: Apache-2.0
 *
 * fuzz_rfc3339.c - any bytes as an instant or a duration: what is taken reads back as the same
 * instant once written.
 */
#include "uphole/stamp.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    const char *text = (const char *)data;
    int64_t utc_ms, again, ms;
    if (stamp_from_text(text, size, &utc_ms)) {
        char written[STAMP_TEXT_MAX];
        stamp_to_text(utc_ms, written);
        /* An offset may move the first or last day of the calendar out of the four digits; those
         * are written clamped. */
        bool in_range = utc_ms >= INT64_C(-62167219200000) && utc_ms <= INT64_C(253402300799999);
        if (!stamp_from_text(written, strlen(written), &again) || (in_range && again != utc_ms))
            abort();
    }
    if (duration_from_text(text, size, &ms)) {
        char written[STAMP_TEXT_MAX];
        if (ms < 0 || strlen(duration_to_text(ms, written)) == 0)
            abort();
    }
    return 0;
}
