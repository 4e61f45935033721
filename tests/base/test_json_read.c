/* SPDX-License-Identifier: Apache-2.0
 *
 * test_json_read.c - JSON is read as RFC 8259 says, strictly, and never beyond its room.
 */
#include "check.h"

#include "uphole/json.h"

#define ROWS(table) (sizeof(table) / sizeof *(table))

static struct json_node nodes[64];

static struct json_doc read_good(const char *text)
{
    struct json_doc doc;
    struct up_error error = {0};
    if (json_read(&doc, text, strlen(text), nodes, ROWS(nodes), &error) != UP_OK)
        fail_msg("%s: %s", text, error.why);
    return doc;
}

/* The text: RFC 8259, section 13, first example. */
static void the_standards_example_is_read(void **state)
{
    (void)state;
    const struct json_doc doc = read_good(
        "{\n \"Image\": {\n \"Width\": 800,\n \"Height\": 600,\n \"Title\": \"View from 15th "
        "Floor\",\n"
        " \"Thumbnail\": {\n \"Url\": \"http://www.example.com/image/481989943\",\n \"Height\": "
        "125,\n"
        " \"Width\": 100\n },\n \"Animated\" : false,\n \"IDs\": [116, 943, 234, 38793]\n }\n }\n");
    const uint32_t image = json_member(&doc, 0, "Image");
    uint64_t width = 0, id = 0;
    bool animated = true;
    char title[64];
    assert_true(json_get_unsigned(&doc, json_member(&doc, image, "Width"), &width));
    check_count("width", (long long)width, 800);
    assert_true(json_get_text(&doc, json_member(&doc, image, "Title"), title, sizeof title));
    check_text("title", title, "View from 15th Floor");
    assert_true(json_get_boolean(&doc, json_member(&doc, image, "Animated"), &animated));
    assert_false(animated);
    const uint32_t ids = json_member(&doc, image, "IDs");
    assert_true(json_get_unsigned(&doc, json_item(&doc, ids, 3), &id));
    check_count("fourth id", (long long)id, 38793);
    assert_int_equal(json_item(&doc, ids, 4), JSON_MISSING);
    unsigned n = 0;
    for (uint32_t item = json_first(&doc, ids); item != JSON_MISSING;
         item = json_next(&doc, ids, item))
        n++;
    check_count("walked", n, 4);
    assert_int_equal(json_member(&doc, image, "Depth"), JSON_MISSING);
    assert_int_equal(json_member(&doc, JSON_MISSING, "Depth"), JSON_MISSING);
    assert_int_equal(json_member(&doc, ids, "Depth"), JSON_MISSING);
}

/* RFC 8259, section 7: U+1D11E as the pair D834, DD1E. */
static void escapes_become_what_they_stand_for(void **state)
{
    (void)state;
    static const struct {
        const char *text, *is;
    } STRINGS[] = {
        {"\"\"", ""},
        {"\"a\\\"b\\\\c\\/d\\n\\t\\b\\f\\r\"", "a\"b\\c/d\n\t\b\f\r"},
        {"\"\\u00e9 \\u20AC\"", "\xC3\xA9 \xE2\x82\xAC"},
        {"\"\\uD834\\uDD1E\"", "\xF0\x9D\x84\x9E"},
        {"\"\\uD834\"", "\xEF\xBF\xBD"}, /* half of a pair */
        {"\"\\uDD1Ex\"", "\xEF\xBF\xBDx"},
    };
    for (size_t i = 0; i < ROWS(STRINGS); i++) {
        char got[32];
        const struct json_doc doc = read_good(STRINGS[i].text);
        assert_true(json_get_text(&doc, 0, got, sizeof got));
        check_text(STRINGS[i].text, got, STRINGS[i].is);
        assert_true(json_is_text(&doc, 0, STRINGS[i].is));
        assert_false(json_is_text(&doc, 0, "another"));
    }
    char small[4];
    const struct json_doc doc = read_good("\"four\"");
    assert_false(json_get_text(&doc, 0, small, sizeof small));
    check_text("nothing half", small, "");
    const struct json_doc zero = read_good("\"a\\u0000b\"");
    char got[8];
    assert_false(json_get_text(&zero, 0, got, sizeof got));
}

static void numbers_are_read_as_they_stand(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        double is;
    } NUMBERS[] = {
        {"0", 0}, {"-0.5", -0.5}, {"12341.6", 12341.6}, {"1e3", 1000}, {"1.25E-2", 0.0125}};
    for (size_t i = 0; i < ROWS(NUMBERS); i++) {
        double got = 99;
        const struct json_doc doc = read_good(NUMBERS[i].text);
        assert_true(json_get_number(&doc, 0, &got));
        if (got != NUMBERS[i].is)
            fail_msg("%s is read as %g", NUMBERS[i].text, got);
    }
    uint64_t all = 0;
    const struct json_doc most = read_good("18446744073709551615"),
                          more = read_good("18446744073709551616");
    (void)most;
    assert_false(json_get_unsigned(&more, 0, &all));
    const struct json_doc again = read_good("18446744073709551615");
    assert_true(json_get_unsigned(&again, 0, &all));
    assert_true(all == UINT64_MAX);
}

/* Planted defect: a text that is no JSON is taken as far as it goes. */
static void what_is_no_json_is_refused_whole(void **state)
{
    (void)state;
    static const char *const BAD[] = {
        "",
        " ",
        "{",
        "[",
        "[1",
        "[1,",
        "[1,]",
        "{\"a\"}",
        "{\"a\":}",
        "{a:1}",
        "{\"a\":1,}",
        "\"",
        "\"\\x\"",
        "\"\\u12g4\"",
        "\"\n\"",
        "01",
        "\"\xC3\"",
        "\"\xFF\"",
        "\"\xED\xA0\x80\"",
        "\"\xF0\x9F\"", /* no UTF-8 */
        "1.",
        ".5",
        "+1",
        "1e",
        "- 1",
        "nul",
        "truex",
        "1 2",
        "[1]]",
        "NaN",
        "'a'",
        "\"a\\\"",
        "{1:2}",
    };
    for (size_t i = 0; i < ROWS(BAD); i++) {
        struct json_doc doc;
        if (json_read(&doc, BAD[i], strlen(BAD[i]), nodes, ROWS(nodes), NULL) != UP_E_INPUT)
            fail_msg("taken: %s", BAD[i]);
        assert_int_equal(doc.n, 0);
    }
}

static void depth_and_number_are_bounded(void **state)
{
    (void)state;
    char deep[200];
    struct json_doc doc;
    memset(deep, '[', 100);
    memset(deep + 100, ']', 100);
    assert_int_equal(json_read(&doc, deep, 200, nodes, ROWS(nodes), NULL), UP_E_INPUT);
    assert_int_equal(json_read(&doc, deep + 100 - 10, 20, nodes, ROWS(nodes), NULL), UP_OK);
    const char many[] = "[1,2,3,4]";
    assert_int_equal(json_read(&doc, many, strlen(many), nodes, 4, NULL), UP_E_FULL);
    assert_int_equal(json_read(&doc, many, strlen(many), nodes, 5, NULL), UP_OK);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_standards_example_is_read),
        cmocka_unit_test(escapes_become_what_they_stand_for),
        cmocka_unit_test(numbers_are_read_as_they_stand),
        cmocka_unit_test(what_is_no_json_is_refused_whole),
        cmocka_unit_test(depth_and_number_are_bounded),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
