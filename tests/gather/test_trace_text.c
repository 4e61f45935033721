/* SPDX-License-Identifier: Apache-2.0
 *
 * test_trace_text.c - the text of a trace: what was written is read back as it was, what is no
 * trace is refused with file and line, and hints say what was asked and what came.
 */
#include "check.h"

#include "uphole/trace.h"

/* ---- text ---- */

static const char HEAD[] =
    "uphole-trace 1\nline pad-line\nwire serial rtu 9600 8N1\n"
    "plan da28316af37f3ce248dacdd579fe9ee7b1e3579fa5a2344862ef5bc09c0d4702\nrun "
    "18446744073709551615\n"
    "start 2031-03-01T06:00:05.120Z\ngrid -0.012345\nlistens_first yes\nseed 4294967295\nbegin\n";
#define HEAD_LINES 10

static enum up_rc read_text(const char *events, struct trace_file *file, struct up_error *error)
{
    char text[2 * TRACE_LINE_MAX];
    assert_true((size_t)snprintf(text, sizeof text, "%s%s", HEAD, events) < sizeof text);
    return trace_file_read(text, strlen(text), "a.trace", file, error);
}

static void what_was_written_is_read_back_as_it_was(void **state)
{
    (void)state;
    static const uint8_t BYTES[] = {0x00, 0x7F, 0xFF, 0x23, 0x22};
    static const struct trace_event EVENTS[] = {
        {0, TRACE_NOT_OPEN, 0, BYTES, "it is \"gone\" \\ \xC3\xA9 # no comment\x01", 0},
        {1, TRACE_OPEN, 0, BYTES, "", 0},
        {999999, TRACE_SENT, 5, BYTES, "", 0},
        {1000000, TRACE_NOT_SENT, 5, BYTES, "", 0},
        {1000000, TRACE_RECEIVED, 1, BYTES, "", 0},
        {86400000001, TRACE_TIMEOUT, 0, BYTES, "", 1000001},
        {86400000001, TRACE_FLUSH, 0, BYTES, "", 0},
        {86400000002, TRACE_GONE, 0, BYTES, "", 0},
        {86400000002, TRACE_CLOSE, 0, BYTES, "", 0},
        {86400000003, TRACE_CUT, 0, BYTES, "", 12},
        {86400000003, TRACE_END, 0, BYTES, "", 0},
    };
    char text[4 * TRACE_LINE_MAX];
    struct trace_about about = {.medium = LINE_MEDIUM_SERIAL,
                                .line = "pad-line",
                                .baud = 9600,
                                .data_bits = 8,
                                .stop_bits = 1,
                                .parity = 'N',
                                .run = UINT64_MAX,
                                .start_utc_ms = INT64_C(1930111205120),
                                .grid_us = -12345,
                                .listens_first = true,
                                .seed = UINT32_MAX};
    memcpy(about.plan, "da28316af37f3ce248dacdd579fe9ee7b1e3579fa5a2344862ef5bc09c0d4702", 65);
    size_t n = trace_put_head(&about, text);
    check_text("head", text, HEAD);
    for (size_t i = 0; i < sizeof EVENTS / sizeof EVENTS[0]; i++)
        n += trace_put_event(&EVENTS[i], i % 2 == 0 ? "a hint # \"with\" marks" : NULL, text + n);
    struct trace_file file;
    struct up_error error = {0};
    if (trace_file_read(text, n, "a.trace", &file, &error) != UP_OK)
        fail_msg("%s", error.why);
    check_count("events", (long long)file.n, sizeof EVENTS / sizeof EVENTS[0]);
    assert_true(file.ended && !file.cut_short);
    check_count("run", (long long)(file.about.run == UINT64_MAX), 1);
    check_count("grid", file.about.grid_us, -12345);
    check_count("start", file.about.start_utc_ms, about.start_utc_ms);
    for (size_t i = 0; i < file.n; i++) {
        check_count("line", file.lines[i], (long long)(HEAD_LINES + 1 + i));
        check_count("kind", file.events[i].kind, EVENTS[i].kind);
        check_count("time", file.events[i].at_us, EVENTS[i].at_us);
        check_count("amount", file.events[i].amount, EVENTS[i].amount);
        check_count("bytes", file.events[i].n, EVENTS[i].n);
        assert_memory_equal(file.events[i].bytes, BYTES, EVENTS[i].n);
        check_text("why", file.events[i].why, EVENTS[i].why);
    }
    trace_file_free(&file);
}

static void the_wires_of_all_lines_can_be_said_and_read(void **state)
{
    (void)state;
    static const struct trace_about WIRES[] = {
        {.medium = LINE_MEDIUM_SERIAL, .baud = 300, .data_bits = 7, .parity = 'E', .stop_bits = 1},
        {.medium = LINE_MEDIUM_TCP,
         .framing = LINE_FRAMING_RTU,
         .baud = 230400,
         .data_bits = 8,
         .parity = 'O',
         .stop_bits = 2},
        {.medium = LINE_MEDIUM_TCP, .framing = LINE_FRAMING_TCP},
    };
    for (size_t i = 0; i < sizeof WIRES / sizeof WIRES[0]; i++) {
        char text[TRACE_LINE_MAX];
        struct trace_about about = WIRES[i];
        struct trace_file file;
        struct up_error error = {0};
        snprintf(about.line, sizeof about.line, "skid-line");
        memset(about.plan, 'a', 64);
        if (trace_file_read(text, trace_put_head(&about, text), "a.trace", &file, &error) != UP_OK)
            fail_msg("%s", error.why);
        assert_memory_equal(&file.about, &about, sizeof about);
        trace_file_free(&file);
    }
}

/* A writer that is killed leaves half a line: what stands before it is read. */
static void a_half_written_file_is_read_up_to_its_last_whole_line(void **state)
{
    (void)state;
    struct trace_file file;
    struct up_error error = {0};
    assert_int_equal(read_text("+0.000001 open\n+0.200000 sent 01 0", &file, &error), UP_OK);
    check_count("events", (long long)file.n, 1);
    assert_true(file.cut_short && !file.ended);
    trace_file_free(&file);
    assert_int_equal(read_text("", &file, &error), UP_OK);
    check_count("events", (long long)file.n, 0);
    trace_file_free(&file);
}

static void what_is_no_trace_is_refused_with_file_and_line(void **state)
{
    (void)state;
    static const struct {
        const char *events, *line, *why;
    } BAD[] = {
        {"open\n", "11", "expected a time"},
        {"+0.1 open\n", "11", "expected a time"},
        {"+00.100000 open\n", "11", "expected a time"},
        {"+9999999999.000000 open\n", "11", "expected a time"},
        {"# a comment\n\n+0.100000 opened\n", "13", "'opened' is no event"},
        {"+0.100000 op\x01n\n", "11", "'op?n' is no event"},
        {"+0.200000 open\n+0.100000 close\n", "12", "earlier"},
        {"+0.100000 end\n+0.200000 open\n", "12", "behind 'end'"},
        {"+0.100000 sent\n", "11", "no bytes"},
        {"+0.100000 sent 0a\n", "11", "byte 1"},
        {"+0.100000 sent 01 2\n", "11", "byte 2"},
        {"+0.100000 sent 01  02\n", "11", "behind the event"},
        {"+0.100000 sent 01 02x\n", "11", "behind the event"},
        {"+0.100000 not_sent 01\n", "11", "a reason"},
        {"+0.100000 gone why\n", "11", "a reason"},
        {"+0.100000 gone \"wh\\y\"\n", "11", "a reason"},
        {"+0.100000 gone \"wh\\x00y\"\n", "11", "a reason"},
        {"+0.100000 gone \"why\n", "11", "a reason"},
        {"+0.100000 timeout 1\n", "11", "six decimals"},
        {"+0.100000 timeout -1.000000\n", "11", "six decimals"},
        {"+0.100000 cut -1\n", "11", "events are missing"},
        {"+0.100000 open now\n", "11", "behind the event"},
        {"uphole-trace 1\n", "11", "expected a time"},
    };
    for (size_t i = 0; i < sizeof BAD / sizeof BAD[0]; i++) {
        struct trace_file file;
        struct up_error error = {0};
        char where[40];
        if (read_text(BAD[i].events, &file, &error) != UP_E_INPUT)
            fail_msg("taken: %s", BAD[i].events);
        snprintf(where, sizeof where, "a.trace:%s: ", BAD[i].line);
        if (strncmp(error.why, where, strlen(where)) != 0 || !strstr(error.why, BAD[i].why))
            fail_msg("%s: got \"%s\", expected %s%s", BAD[i].events, error.why, where, BAD[i].why);
    }
}

/** Each line of the head, changed or left out, is missed where it should stand. */
static void a_head_that_is_not_whole_is_refused(void **state)
{
    (void)state;
    static const char *const CHANGED[] = {"uphole-trace 2\n",
                                          "line Pad\n",
                                          "wire serial rtu 0 8N1\n",
                                          "plan 1234\n",
                                          "run 18446744073709551616\n",
                                          "start 2031-03-01T06:00:05Z\n",
                                          "grid 0.012345\n",
                                          "listens_first maybe\n",
                                          "seed 4294967296\n",
                                          "begin now\n"};
    for (unsigned i = 0; i < HEAD_LINES; i++) {
        const char *from = HEAD;
        for (unsigned k = 0; k < i; k++)
            from = strchr(from, '\n') + 1;
        const char *to = strchr(from, '\n') + 1;
        char text[1024], where[40];
        struct trace_file file;
        snprintf(where, sizeof where, "a.trace:%u: ", i + 1);
        for (int left_out = 0; left_out < 2; left_out++) {
            struct up_error error = {0};
            snprintf(text, sizeof text, "%.*s%s%s+0.000000 open\n", (int)(from - HEAD), HEAD,
                     left_out ? "" : CHANGED[i], to);
            assert_int_equal(trace_file_read(text, strlen(text), "a.trace", &file, &error),
                             UP_E_INPUT);
            assert_memory_equal(error.why, where, strlen(where));
        }
        struct up_error error = {0};
        assert_int_equal(trace_file_read(HEAD, (size_t)(from - HEAD), "a.trace", &file, &error),
                         UP_E_INPUT);
        assert_non_null(strstr(error.why, "ends within its head"));
    }
}

/* ---- hints ---- */

/*
 * Requests and answers are those of Modbus Application Protocol V1.1b3, 6.3, 6.4 and 7 (function
 * 03, registers 108 to 110: 02 2B, 00 00, 00 64; exception codes), with CRCs by Modbus over Serial
 * Line V1.02, 6.2.2, computed here.
 */
static void hints_say_what_was_asked_and_what_came(void **state)
{
    (void)state;
    struct trace_hints hints = {.is_rtu = true};
    char hint[TRACE_HINT_MAX];
    uint8_t request[RTU_ADU_MAX], answer[RTU_ADU_MAX], other[RTU_ADU_MAX], foreign[RTU_ADU_MAX];
    static const uint8_t ASKS[] = {0x03, 0x00, 0x6B, 0x00, 0x03};
    static const uint8_t ANSWERS[] = {0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64};
    static const uint8_t REFUSES[] = {0x83, 0x02};
    const size_t n_request = rtu_put_frame(request, 17, ASKS, sizeof ASKS);
    const size_t n_answer = rtu_put_frame(answer, 17, ANSWERS, sizeof ANSWERS);
    const struct {
        uint8_t kind;
        const uint8_t *bytes;
        size_t n;
        const char *want;
    } STEPS[] = {
        {TRACE_SENT, request, n_request,
         "asks unit 17 for holding registers 107 to 109 (function 03)"},
        {TRACE_RECEIVED, request, n_request, "our own question came back: an echo, checksum good"},
        {TRACE_RECEIVED, answer, 4, "4 of 11 bytes"},
        {TRACE_RECEIVED, answer + 4, n_answer - 4,
         "unit 17 answers function 03, 6 bytes of data, checksum good"},
        {TRACE_RECEIVED, answer, n_answer,
         "nobody here asked: an answer of unit 17, function 03, checksum good"},
        {TRACE_TIMEOUT, answer, 0, "quiet"},
        {TRACE_SENT, request, n_request, NULL},
        {TRACE_RECEIVED, other, rtu_put_frame(other, 17, REFUSES, 2),
         "unit 17 refuses: exception 02, illegal address, checksum good"},
        {TRACE_SENT, request, n_request, NULL},
        {TRACE_RECEIVED, answer, n_answer - 1, "10 of 11 bytes"},
        {TRACE_RECEIVED, ASKS, 1, "11 bytes, checksum bad or no frame"},
        {TRACE_TIMEOUT, answer, 0, "no answer, or not all of it, until here"},
        {TRACE_SENT, request, n_request, NULL},
        {TRACE_RECEIVED, ASKS, 2, "2 of 11 bytes"},
        {TRACE_RECEIVED, answer, n_answer,
         "unit 17 answers function 03, 6 bytes of data, checksum good, after 2 bytes more"},
        {TRACE_SENT, request, n_request, NULL},
        {TRACE_RECEIVED, foreign, rtu_put_frame(foreign, 9, ANSWERS, sizeof ANSWERS),
         "not ours: an answer of unit 9, function 03, checksum good"},
        {TRACE_OPEN, answer, 0, ""},
    };
    for (size_t i = 0; i < sizeof STEPS / sizeof STEPS[0]; i++) {
        const struct trace_event event = {
            .kind = STEPS[i].kind, .n = (uint16_t)STEPS[i].n, .bytes = STEPS[i].bytes, .why = ""};
        trace_hint(&hints, &event, hint);
        if (STEPS[i].want != NULL)
            check_text("hint", hint, STEPS[i].want);
    }
}

static void hints_of_tcp_frames_say_the_transaction(void **state)
{
    (void)state;
    struct trace_hints hints = {.is_rtu = false};
    char hint[TRACE_HINT_MAX];
    uint8_t frame[TCP_ADU_MAX];
    static const uint8_t ASKS[] = {0x04, 0x00, 0x08, 0x00, 0x01};
    static const uint8_t ANSWERS[] = {0x04, 0x02, 0x00, 0x0A};
    struct trace_event event = {.kind = TRACE_SENT, .bytes = frame, .why = ""};
    event.n = (uint16_t)tcp_put_frame(frame, 7, 1, ASKS, sizeof ASKS);
    trace_hint(&hints, &event, hint);
    check_text("asked", hint,
               "asks unit 1 for input registers 8 to 8 (function 04), transaction 7");
    event.kind = TRACE_RECEIVED;
    event.n = (uint16_t)tcp_put_frame(frame, 6, 1, ANSWERS, sizeof ANSWERS);
    trace_hint(&hints, &event, hint);
    check_text("another", hint,
               "unit 1 answers function 04, 2 bytes of data, transaction 6: not the one asked");
    event.n = (uint16_t)tcp_put_frame(frame, 7, 1, ANSWERS, sizeof ANSWERS);
    const uint16_t whole = event.n;
    event.n = 5;
    trace_hint(&hints, &event, hint);
    check_text("half", hint, "5 bytes, not whole yet");
    event.bytes = frame + 5;
    event.n = (uint16_t)(whole - 5);
    trace_hint(&hints, &event, hint);
    check_text("whole", hint, "unit 1 answers function 04, 2 bytes of data, transaction 7");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_was_written_is_read_back_as_it_was),
        cmocka_unit_test(the_wires_of_all_lines_can_be_said_and_read),
        cmocka_unit_test(a_half_written_file_is_read_up_to_its_last_whole_line),
        cmocka_unit_test(what_is_no_trace_is_refused_with_file_and_line),
        cmocka_unit_test(a_head_that_is_not_whole_is_refused),
        cmocka_unit_test(hints_say_what_was_asked_and_what_came),
        cmocka_unit_test(hints_of_tcp_frames_say_the_transaction),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
