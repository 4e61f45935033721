/* SPDX-License-Identifier: Apache-2.0
 *
 * test_golden.c - recorded traces, played to the real line machine and measured, give the expected
 * records byte for byte, and the line asks byte for byte what it asked then. Traces stand in
 * tests/golden beside their configuration; record.py made them with the real daemon.
 *
 * UPHOLE_GOLDEN_WRITE=1 writes the expected records anew. Read the diff as a reviewer would: each
 * changed value is a value that SCADA would have got.
 *
 * Planted defects seen: tests/planted/golden-words-swapped (a changed value), golden-request-longer
 * (a request one register longer), golden-rest-skipped (no quiet after a fault); and here by hand:
 * a request, an instant and an event of a trace changed.
 */
#include "records.h"
#include "replay.h"

#include "check.h"

#include <stdlib.h>

#define TEXT_MAX (1024 * 1024)

static const struct golden {
    const char *name;
    unsigned scans_least; /* a replay that ends early is no test */
} GOLDEN[] = {
    {"healthy", 5},       {"not-fitted", 4},    {"gauge-restart", 15},  {"late-answer", 4},
    {"noise", 6},         {"second-master", 3}, {"exception-split", 3}, {"echo", 4},
    {"echo-stripped", 4}, {"tcp", 5},           {"rtu-over-tcp", 4},    {"float-low-first", 4},
    {"port-gone", 4},     {"listening", 3},
};
#define GOLDEN_N (sizeof GOLDEN / sizeof GOLDEN[0])

static void path_of(const char *name, const char *kind, char into[static 512])
{
    snprintf(into, 512, "%s/tests/golden/%s.%s", UPHOLE_SOURCE_DIR, name, kind);
}

static char *read_text(const char *path, size_t *n)
{
    FILE *file = fopen(path, "re");
    if (file == NULL)
        fail_msg("%s is not there", path);
    char *text = malloc(TEXT_MAX + 1);
    assert_non_null(text);
    *n = fread(text, 1, TEXT_MAX, file);
    text[*n] = '\0';
    fclose(file);
    assert_true(*n < TEXT_MAX);
    return text;
}

static struct plan *read_plan(const char *name)
{
    char path[512];
    struct plan *plan = NULL;
    struct plan_faults *faults = calloc(1, sizeof *faults);
    assert_non_null(faults);
    path_of(name, "yaml", path);
    if (plan_from_file(path, UPHOLE_SOURCE_DIR "/config/maps", &plan, faults) != UP_OK)
        fail_msg("%s:%d: %s", faults->fault[0].file, faults->fault[0].line, faults->fault[0].text);
    free(faults);
    plan->id = 1;
    for (uint16_t w = 0; w < plan->n_wells; w++)
        plan->wells[w].number = (uint16_t)(w + 1);
    return plan;
}

/** Plays `text`, the trace of `name`; the records stand in `*out` (the caller frees it). */
static unsigned play(const char *name, const char *text, size_t n,
                     void (*change)(struct trace_file *file), char **out, size_t *n_out,
                     struct replay_result *result)
{
    char path[512];
    struct up_error error = {0};
    struct trace_file file;
    snprintf(path, sizeof path, "%s.trace", name);
    if (trace_file_read(text, n, path, &file, &error) != UP_OK)
        fail_msg("%s", error.why);
    if (change != NULL)
        change(&file);
    struct plan *plan = read_plan(name);
    FILE *stream = open_memstream(out, n_out);
    assert_non_null(stream);
    fprintf(stream, "# The records of %s.trace; see docs/trace.md.\n", name);
    struct records *records = records_create(plan, stream, REPLAY_BOOT_US / 1000);
    replay_run(&file, path, plan, records_take, records, result);
    fclose(stream);
    const unsigned scans = records_scans(records);
    records_destroy(records);
    plan_free(plan);
    trace_file_free(&file);
    return scans;
}

static void write_expected(const char *path, const char *text, size_t n)
{
    FILE *file = fopen(path, "we");
    if (file == NULL || fwrite(text, 1, n, file) != n || fclose(file) != 0)
        fail_msg("%s can't be written", path);
    print_message("written anew: %s; read its diff\n", path);
}

static void show_first_difference(const char *path, const char *got, const char *want)
{
    unsigned line = 1;
    const char *a = got, *b = want;
    for (size_t i = 0; got[i] != '\0' && got[i] == want[i]; i++)
        if (got[i] == '\n') {
            line++;
            a = got + i + 1;
            b = want + i + 1;
        }
    fail_msg("%s:%u:\n  got      %.*s\n  expected %.*s", path, line, (int)strcspn(a, "\n"), a,
             (int)strcspn(b, "\n"), b);
}

static void the_records_and_requests_are_the_recorded_ones(void **state)
{
    const struct golden *golden = *state;
    char path[512], *got = NULL;
    size_t n, n_got = 0, n_want;
    struct replay_result result;
    path_of(golden->name, "trace", path);
    char *trace = read_text(path, &n);
    const unsigned scans = play(golden->name, trace, n, NULL, &got, &n_got, &result);
    free(trace);
    if (result.failed)
        fail_msg("%s", result.failure);
    assert_true(scans >= golden->scans_least);
    path_of(golden->name, "expected", path);
    if (getenv("UPHOLE_GOLDEN_WRITE") != NULL) {
        write_expected(path, got, n_got);
    } else {
        char *want = read_text(path, &n_want);
        if (strcmp(got, want) != 0)
            show_first_difference(path, got, want);
        free(want);
    }
    free(got);
}

/** Plays the healthy trace changed; what the replay says of it. */
static void play_changed(void (*change)(struct trace_file *file), char failure[static 600])
{
    char path[512], *out = NULL;
    size_t n, n_out = 0;
    struct replay_result result;
    path_of("healthy", "trace", path);
    char *trace = read_text(path, &n);
    (void)play("healthy", trace, n, change, &out, &n_out, &result);
    free(out);
    free(trace);
    assert_true(result.failed);
    snprintf(failure, 600, "%s", result.failure);
}

/** Index of the request with this number, from 0. */
static size_t find_request(const struct trace_file *file, unsigned which)
{
    for (size_t i = 0; i < file->n; i++)
        if (file->events[i].kind == TRACE_SENT && which-- == 0)
            return i;
    fail_msg("the trace has too few requests");
    return 0;
}
static void ask_another_register(struct trace_file *file)
{
    const struct trace_event *event = &file->events[find_request(file, 2)];
    file->store[event->bytes + 3 - file->store] ^= 1;
}
static void drop_request(struct trace_file *file)
{
    const size_t at = find_request(file, 3);
    memmove(&file->events[at], &file->events[at + 1], (--file->n - at) * sizeof file->events[0]);
}
static void put_off_request(struct trace_file *file)
{
    for (size_t i = find_request(file, 4); i < file->n; i++)
        file->events[i].at_us += 300000;
}

/* Planted defect: a replay port that ignores what was sent: here the trace differs from what the
 * line sends. */
static void another_request_than_the_recorded_one_is_named_with_its_line(void **state)
{
    (void)state;
    char failure[600];
    play_changed(ask_another_register, failure);
    assert_non_null(strstr(failure, "healthy.trace:"));
    assert_non_null(strstr(failure, "the request was 01 04 "));
}
static void a_request_that_is_not_in_the_trace_is_named(void **state)
{
    (void)state;
    char failure[600];
    play_changed(drop_request, failure);
    assert_non_null(strstr(failure, "healthy.trace:"));
}
static void a_request_at_another_time_is_named(void **state)
{
    (void)state;
    char failure[600];
    play_changed(put_off_request, failure);
    assert_non_null(strstr(failure, "earlier than recorded"));
}

int main(void)
{
    struct CMUnitTest tests[GOLDEN_N + 3];
    size_t n = 0;
    for (size_t i = 0; i < GOLDEN_N; i++)
        tests[n++] =
            (struct CMUnitTest){.name = GOLDEN[i].name,
                                .test_func = the_records_and_requests_are_the_recorded_ones,
                                .initial_state = (void *)(uintptr_t)&GOLDEN[i]};
    tests[n++] = (struct CMUnitTest)cmocka_unit_test(
        another_request_than_the_recorded_one_is_named_with_its_line);
    tests[n++] = (struct CMUnitTest)cmocka_unit_test(a_request_that_is_not_in_the_trace_is_named);
    tests[n++] = (struct CMUnitTest)cmocka_unit_test(a_request_at_another_time_is_named);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
