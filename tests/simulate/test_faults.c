/* SPDX-License-Identifier: Apache-2.0
 *
 * test_faults.c - the fault script: what it takes, and what it says where it does not.
 */
#include "check.h"

#include "../../daemon/simulate/faults.h"

static struct fault_script *parse(const char *text)
{
    struct fault_script *script = NULL;
    struct up_error error = {0};
    if (fault_script_from_text("s", text, strlen(text), &script, &error) != UP_OK)
        fail_msg("%s: %s", text, error.why);
    return script;
}

static void a_rule_says_when_where_and_what(void **state)
{
    (void)state;
    struct fault_script *s =
        parse("# a comment\n\nat 30 s for 10 s line pad-line unit 2 silence # why\n");
    assert_int_equal(s->n, 1);
    const struct fault_rule *rule = &s->rule[0];
    check_count("at", rule->at_us, 30000000);
    check_count("for", rule->for_us, 10000000);
    check_text("line", rule->line, "pad-line");
    check_count("unit", rule->unit, 2);
    check_count("kind", rule->kind, FAULT_SILENCE);
    check_count("script line", rule->script_line, 3);
    fault_script_free(s);
}

static void every_form_is_taken(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        int kind;
        long long low, high;
        double probability;
    } ROWS[] = {
        {"random 5 % late 150..1300 ms", FAULT_LATE, 150000, 1300000, 0.05},
        {"random 5% late 150 ms..1.3 s", FAULT_LATE, 150000, 1300000, 0.05},
        {"late 150 ms .. 1300 ms", FAULT_LATE, 150000, 1300000, 1},
        {"at 1min late 800ms", FAULT_LATE, 800000, 800000, 1},
        {"always duplicate", FAULT_DUPLICATE, 0, 0, 1},
        {"random 0.5 % truncated 1..6 bytes", FAULT_TRUNCATED, 1, 6, 0.005},
        {"foreign_unit", FAULT_FOREIGN_UNIT, 0, 0, 1},
        {"foreign_unit 9", FAULT_FOREIGN_UNIT, 9, 9, 1},
        {"every 2 min for 5 s wrong_function", FAULT_WRONG_FUNCTION, 0, 0, 1},
        {"bad_checksum", FAULT_BAD_CHECKSUM, 0, 0, 1},
        {"register 16..20 function 4 exception 0x0B", FAULT_EXCEPTION, 11, 11, 1},
        {"exception 6", FAULT_EXCEPTION, 6, 6, 1},
        {"stray 3 bytes", FAULT_STRAY, 3, 3, 1},
        {"at 10 s for 1 h gauge_lost", FAULT_GAUGE_LOST, 0, 0, 1},
        {"at 10 s power_cycle", FAULT_POWER_CYCLE, 0, 0, 1},
        {"at 10 s every 5 min for 3 s power_cycle", FAULT_POWER_CYCLE, 0, 0, 1},
        {"at 20 s for 20 s line pad-line converter_gone", FAULT_CONVERTER_GONE, 0, 0, 1},
        {"at 20 s for 20 s second_master every 500 ms", FAULT_SECOND_MASTER, 500000, 500000, 1},
        {"second_master 300..700 ms", FAULT_SECOND_MASTER, 300000, 700000, 1},
    };
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        struct fault_script *s = parse(ROWS[i].text);
        check_count(ROWS[i].text, s->rule[0].kind, ROWS[i].kind);
        check_count(ROWS[i].text, s->rule[0].low, ROWS[i].low);
        check_count(ROWS[i].text, s->rule[0].high, ROWS[i].high);
        check_close(ROWS[i].text, s->rule[0].probability, ROWS[i].probability, 1e-12);
        fault_script_free(s);
    }
}

static void what_is_wrong_is_named_with_its_line(void **state)
{
    (void)state;
    static const struct {
        const char *text, *says;
    } ROWS[] = {
        {"silence\nat 30 silence",
         "s:2: '30' after 'at' has no unit of time; expected ms, s, min, h or d, such as 30 s"},
        {"at soon silence",
         "s:1: no duration after 'at'; expected a number with its unit, such as 30 s"},
        {"at 30 s silenc", "s:1: 'silenc' is no fault and no condition; expected e.g.: at 30 s for "
                           "10 s line pad-line silence"},
        {"at 30 s", "s:1: no fault is named; expected one of late, duplicate, truncated, "
                    "foreign_unit, wrong_function, "
                    "bad_checksum, silence, exception, stray, gauge_lost, power_cycle, "
                    "converter_gone, second_master"},
        {"late",
         "s:1: 'late' needs an argument; expected such as: late 800 ms, or late 150..1300 ms"},
        {"late 800",
         "s:1: '800' after 'late' has no unit of time; expected ms, s, min, h or d, such as 30 s"},
        {"late 2 h", "s:1: the duration after 'late' is out of range; expected 0 ms to 60 s"},
        {"late 900..150 ms",
         "s:1: the range '900..150ms' runs backwards; expected the smaller one first"},
        {"late 150.. ms",
         "s:1: no second duration after '..'; expected a range such as 150..1300 ms"},
        {"silence now", "s:1: 'now' after 'silence' is not understood; expected the end of the "
                        "line, such as: silence"},
        {"random 5 silence", "s:1: the share after 'random' has no %; expected such as 5 %"},
        {"random 500 % silence", "s:1: '500' after 'random'; expected a share such as 5 %"},
        {"random 0 % silence", "s:1: '0' after 'random'; expected a share such as 5 %"},
        {"random 5 % gauge_lost", "s:1: 'random' is for faults of single answers; 'gauge_lost' "
                                  "lasts, so give it 'at' or 'every'"},
        {"unit 300 silence", "s:1: '300' after 'unit' is out of range; expected 0 to 255"},
        {"unit one silence", "s:1: no number after 'unit'; expected 0 to 255"},
        {"truncated 0 bytes", "s:1: '0' after 'truncated' is out of range; expected 1 to 255"},
        {"truncated 1.5 bytes", "s:1: '1.5' after 'truncated' is no whole number"},
        {"exception 0x", "s:1: no number after 'exception'; expected 1 to 255"},
        {"for 5 s silence", "s:1: 'for' without 'at' or 'every'; say when it begins"},
        {"every 5 s for 5 s silence",
         "s:1: 'for' is not shorter than 'every'; leave out both to have it always"},
        {"every 5 s gauge_lost",
         "s:1: 'gauge_lost' with 'every' needs 'for', or it would never end"},
        {"register 5 gauge_lost",
         "s:1: 'gauge_lost' is no fault of a read; 'function' and 'register' can't stand with it"},
        {"line a-name-that-is-longer-than-thirty-two silence",
         "s:1: no line's name after 'line'; expected a name of the configuration"},
        {"at 400 d silence", "s:1: '400d' is more than 366 d"},
    };
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        struct fault_script *script = NULL;
        struct up_error error = {0};
        enum up_rc rc =
            fault_script_from_text("s", ROWS[i].text, strlen(ROWS[i].text), &script, &error);
        if (rc == UP_OK)
            fail_msg("'%s' was taken", ROWS[i].text);
        check_text(ROWS[i].text, error.why, ROWS[i].says);
        assert_null(script);
    }
}

static void what_is_too_long_or_no_text_is_refused(void **state)
{
    (void)state;
    static char text[100000];
    struct fault_script *script = NULL;
    struct up_error error = {0};
    memset(text, '\n', sizeof text);
    assert_int_equal(fault_script_from_text("s", text, sizeof text, &script, &error), UP_E_INPUT);
    memset(text, 'x', 60);
    assert_int_equal(fault_script_from_text("s", text, 60, &script, &error), UP_E_INPUT);
    assert_int_equal(fault_script_from_text("s", "sile\0ce", 7, &script, &error), UP_E_INPUT);
    for (size_t i = 0; i < 201; i++)
        memcpy(text + i * 8, "silence\n", 8);
    assert_int_equal(fault_script_from_text("s", text, 201 * 8, &script, &error), UP_E_INPUT);
    assert_int_equal(fault_script_from_file("/nonexistent/script", &script, &error), UP_E_MISSING);
}

static void any_bytes_are_parsed_or_refused_within_bounds(void **state)
{
    (void)state;
    /* ASan and UBSan watch; a fixed generator, so that a failure repeats. */
    static const char *const PIECES[] = {
        "at ",     "30 s ", "..",      "late ", "150",    " ms",  "%",
        "random ", "5 ",    "line ",   "\n",    "every ", "for ", "register ",
        "1..4 ",   "#",     "silence", "0x",    "stray ", "\xff", " "};
    uint32_t x = 12345;
    for (int round = 0; round < 20000; round++) {
        char text[256] = "";
        size_t n = 0;
        for (int i = 0; i < 12; i++) {
            x = x * 1664525u + 1013904223u;
            const char *piece = PIECES[(x >> 16) % (sizeof PIECES / sizeof PIECES[0])];
            memcpy(text + n, piece, strlen(piece));
            n += strlen(piece);
        }
        struct fault_script *script = NULL;
        struct up_error error = {0};
        if (fault_script_from_text("s", text, n, &script, &error) != UP_OK)
            assert_true(strncmp(error.why, "s:", 2) == 0);
        fault_script_free(script);
    }
}

static void edges_come_in_order_and_repeat(void **state)
{
    (void)state;
    struct fault_script *s = parse("at 10 s every 60 s for 5 s gauge_lost");
    static const long long EDGES_S[] = {10, 15, 70, 75, 130, 135};
    int64_t t = 0, occurrence;
    for (size_t i = 0; i < 6; i++) {
        t = fault_rule_next_edge(&s->rule[0], t);
        check_count("edge", t, EDGES_S[i] * 1000000);
        assert_int_equal(fault_rule_holds(&s->rule[0], t, &occurrence), i % 2 == 0);
        check_count("occurrence", occurrence, (long long)i / 2);
    }
    fault_script_free(s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_rule_says_when_where_and_what),
        cmocka_unit_test(every_form_is_taken),
        cmocka_unit_test(what_is_wrong_is_named_with_its_line),
        cmocka_unit_test(what_is_too_long_or_no_text_is_refused),
        cmocka_unit_test(any_bytes_are_parsed_or_refused_within_bounds),
        cmocka_unit_test(edges_come_in_order_and_repeat),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
