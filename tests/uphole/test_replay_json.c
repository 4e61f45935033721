/* SPDX-License-Identifier: Apache-2.0
 *
 * test_replay_json.c - JSON that somebody else wrote: what RFC 8259 allows is taken, what it
 * forbids is not, and nothing is read beyond the text.
 */
#include "../../daemon/uphole/replay_json.h"

#include "../check.h"

#include <stdlib.h>
#include <string.h>

/** In memory of its own size, so that a sanitizer sees a byte too far. */
static bool is_whole(const char *text, size_t n, struct peek *out, char **copy)
{
    *copy = malloc(n > 0 ? n : 1);
    assert_non_null(*copy);
    memcpy(*copy, text, n);
    return peek_whole(*copy, n, out);
}

/* RFC 8259, sections 2 to 7: the grammar's own examples and what it excludes. */
static void what_the_grammar_allows_is_taken_and_nothing_else(void **state)
{
    static const char *const GOOD[] = {"{}",
                                       "[]",
                                       " [ 1 , 2 ] ",
                                       "null",
                                       "true",
                                       "false",
                                       "0",
                                       "-0",
                                       "1.5e+10",
                                       "-12.25E-3",
                                       "\"\"",
                                       "\"a\\\"b\\\\\\/\\b\\f\\n\\r\\t\\u00e9\"",
                                       "{\"a\":{\"b\":[{}]},\"c\":\"\xC3\xA9\"}",
                                       "[[[[[[[[[[[[[[[[1]]]]]]]]]]]]]]]]"};
    static const char *const BAD[] = {"",          " ",
                                      "{",         "}",
                                      "[",         "[1",
                                      "[1,",       "[1,]",
                                      "[,1]",      "{\"a\"}",
                                      "{\"a\":}",  "{\"a\":1,}",
                                      "{a:1}",     "{\"a\" 1}",
                                      "01",        "-",
                                      "1.",        ".5",
                                      "1e",        "+1",
                                      "0x10",      "nul",
                                      "nulll",     "\"",
                                      "\"a",       "\"\\x\"",
                                      "\"\\u12\"", "\"\\u12g4\"",
                                      "\"\n\"",    "1 2",
                                      "{} {}",     "'a'",
                                      "NaN",       "[[[[[[[[[[[[[[[[[[1]]]]]]]]]]]]]]]]]]"};
    struct peek value;
    char *copy;
    (void)state;
    for (size_t i = 0; i < sizeof GOOD / sizeof *GOOD; i++) {
        if (!is_whole(GOOD[i], strlen(GOOD[i]), &value, &copy))
            fail_msg("%s was not taken", GOOD[i]);
        free(copy);
    }
    for (size_t i = 0; i < sizeof BAD / sizeof *BAD; i++) {
        if (is_whole(BAD[i], strlen(BAD[i]), &value, &copy))
            fail_msg("%s was taken", BAD[i]);
        free(copy);
    }
}

static void a_text_cut_anywhere_is_refused_and_never_read_beyond(void **state)
{
    static const char TEXT[] = "{\"rows\":[{\"seq\":88120,\"values\":[12345,null,-1.5e3],\"t\":"
                               "\"a\\u00e9\\\\\"}],\"ok\":true}";
    struct peek value;
    char *copy;
    (void)state;
    for (size_t n = 0; n < sizeof TEXT - 1; n++) {
        if (is_whole(TEXT, n, &value, &copy))
            fail_msg("the first %zu bytes were taken", n);
        free(copy);
    }
    assert_true(is_whole(TEXT, sizeof TEXT - 1, &value, &copy));
    struct peek row = peek_next(peek_member(value, "rows"), (struct peek){0});
    uint64_t seq = 0;
    double number = 0;
    assert_true(peek_unsigned(peek_member(row, "seq"), &seq) && seq == 88120);
    struct peek values = peek_member(row, "values"), at = peek_next(values, (struct peek){0});
    assert_true(peek_number(at, &number) && number == 12345);
    at = peek_next(values, at);
    assert_true(peek_is_null(at) && !peek_number(at, &number));
    at = peek_next(values, at);
    assert_true(peek_number(at, &number) && number == -1500 && !peek_unsigned(at, &seq));
    assert_int_equal(peek_next(values, at).n, 0);
    assert_int_equal(peek_member(row, "se").n, 0);
    assert_int_equal(peek_member(values, "seq").n, 0);
    char text[8];
    assert_false(
        peek_text(peek_member(row, "t"), text, sizeof text)); /* an escape that is not known */
    free(copy);
}

/** Bytes changed at random: refused, or taken; and looked into without harm. */
static void bytes_changed_at_random_do_no_harm(void **state)
{
    static const char TEXT[] = "{\"schema\":\"uphole/record/1\",\"sets\":{\"gauge\":{\"points\":["
                               "\"a\",\"b\"]}},\"rows\":[{\"seq\":1,\"values\":[1,null]}]}";
    uint64_t seed = 7;
    (void)state;
    for (int i = 0; i < 20000; i++) {
        char *copy = malloc(sizeof TEXT - 1), text[32];
        struct peek value;
        assert_non_null(copy);
        memcpy(copy, TEXT, sizeof TEXT - 1);
        for (int k = 0; k < 3; k++) {
            seed = seed * 6364136223846793005u + 1442695040888963407u;
            copy[(seed >> 33) % (sizeof TEXT - 1)] = "{}[]\",:\\u0n\n\0a-"[(seed >> 20) % 16];
        }
        if (peek_whole(copy, sizeof TEXT - 1, &value)) {
            (void)peek_text(peek_member(value, "schema"), text, sizeof text);
            for (struct peek row = peek_next(peek_member(value, "rows"), (struct peek){0});
                 row.n > 0; row = peek_next(peek_member(value, "rows"), row))
                (void)peek_next(peek_member(row, "values"), (struct peek){0});
        }
        free(copy);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_the_grammar_allows_is_taken_and_nothing_else),
        cmocka_unit_test(a_text_cut_anywhere_is_refused_and_never_read_beyond),
        cmocka_unit_test(bytes_changed_at_random_do_no_harm),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
