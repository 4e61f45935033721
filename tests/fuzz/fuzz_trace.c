/* SPDX-License-Identifier: Apache-2.0
 *
 * fuzz_trace.c - any bytes as a trace: taken or refused with a reason, never read beyond; what was
 * taken is written, with its hints, and read back as the same events.
 */
#include "uphole/trace.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(int holds)
{
    if (!holds)
        abort();
}

static void must_be_equal(const struct trace_file *a, const struct trace_file *b)
{
    must(a->n == b->n && memcmp(&a->about, &b->about, sizeof a->about) == 0);
    must(a->ended == b->ended);
    for (size_t i = 0; i < a->n; i++) {
        const struct trace_event *one = &a->events[i], *other = &b->events[i];
        must(one->kind == other->kind && one->at_us == other->at_us && one->n == other->n);
        must(one->amount == other->amount && strcmp(one->why, other->why) == 0);
        must(memcmp(one->bytes, other->bytes, one->n) == 0);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct trace_file file, again;
    struct up_error error = {0};
    if (trace_file_read((const char *)data, size, "fuzz.trace", &file, &error) != UP_OK) {
        must(error.rc == UP_E_INPUT && strstr(error.why, "fuzz.trace") != NULL);
        return 0;
    }
    char *text = malloc((file.n + 1) * TRACE_LINE_MAX + 1), hint[TRACE_HINT_MAX];
    must(text != NULL);
    struct trace_hints hints = {.is_rtu = file.about.medium == LINE_MEDIUM_SERIAL ||
                                          file.about.framing == LINE_FRAMING_RTU};
    size_t n = trace_put_head(&file.about, text);
    for (size_t i = 0; i < file.n; i++) {
        trace_hint(&hints, &file.events[i], hint);
        const size_t length = trace_put_event(&file.events[i], hint, text + n);
        must(length < TRACE_LINE_MAX && text[n + length - 1] == '\n');
        n += length;
    }
    must(trace_file_read(text, n, "again", &again, &error) == UP_OK);
    must(!again.cut_short);
    must_be_equal(&file, &again);
    trace_file_free(&file);
    trace_file_free(&again);
    free(text);
    return 0;
}
