/* SPDX-License-Identifier: Apache-2.0
 *
 * test_yaml_tree.c - hostile texts end in one plain fault, quickly and in bounded memory.
 */
#include "check.h"

#include "uphole/plan.h"

#include <stdlib.h>
#include <sys/resource.h>

static struct plan_faults faults;

static void refused(const char *text, size_t length, const char *expected)
{
    struct plan *plan = NULL;
    char got[PATH_LENGTH_MAX + UP_WHY_MAX + 40];
    check_count("rc", plan_from_text("x.yaml", text, length, &plan, &faults), UP_E_CONFIG);
    assert_true(faults.n > 0);
    (void)plan_fault_to_text(&faults.fault[0], got, sizeof got);
    check_text("fault", got, expected);
}

static void refused_text(const char *text, const char *expected)
{
    refused(text, strlen(text), expected);
}

/* Planted defect that this must catch: anchors and aliases let through (nine levels of nine would
 * make 3.5e8 values). */
static void an_alias_bomb_is_refused_in_little_memory(void **state)
{
    struct rusage before, after;
    char text[4096];
    size_t used = (size_t)snprintf(text, sizeof text, "a: &a [x, x, x, x, x, x, x, x, x]\n");
    (void)state;
    for (char c = 'b'; c <= 'j'; c++)
        used += (size_t)snprintf(text + used, sizeof text - used,
                                 "%c: &%c [*%c, *%c, *%c, *%c, *%c, *%c, *%c, *%c, *%c]\n", c, c,
                                 c - 1, c - 1, c - 1, c - 1, c - 1, c - 1, c - 1, c - 1, c - 1);
    (void)getrusage(RUSAGE_SELF, &before);
    refused(text, used,
            "x.yaml:1:4: anchors (`&name`) are not used here; leave it out and write values out "
            "where they are needed");
    (void)getrusage(RUSAGE_SELF, &after);
    assert_in_range(after.ru_maxrss - before.ru_maxrss, 0, 4096); /* kB */
}

static void more_than_one_mebibyte_is_refused(void **state)
{
    char *text = malloc(PLAN_TEXT_MAX + 1);
    (void)state;
    assert_non_null(text);
    memset(text, '#', PLAN_TEXT_MAX + 1);
    refused(text, PLAN_TEXT_MAX + 1,
            "x.yaml: the file is larger than 1 MiB; this is no configuration");
    free(text);
}

static void a_large_file_on_disk_is_refused_too(void **state)
{
    char path[] = "/tmp/uphole-large-XXXXXX";
    struct plan *plan = NULL;
    (void)state;
    const int fd = mkstemp(path);
    FILE *file = fdopen(fd, "w");
    assert_non_null(file);
    for (int i = 0; i < 1100; i++)
        for (int j = 0; j < 1000; j++)
            (void)fputc(j == 999 ? '\n' : '#', file);
    (void)fclose(file);
    check_count("rc", plan_from_file(path, NULL, &plan, &faults), UP_E_CONFIG);
    check_text("text", faults.fault[0].text,
               "the file is larger than 1 MiB; this is no configuration");
    (void)remove(path);
}

/* Bytes that RFC 3629, section 4, excludes: a lone continuation, an overlong form, a surrogate,
 * beyond U+10FFFF, a cut sequence. */
static void invalid_utf8_is_named_with_its_place(void **state)
{
    (void)state;
    refused_text("site: heron\nbox: h\x80ron\n",
                 "x.yaml:2:7: byte 0x80 is not valid UTF-8; save the file as UTF-8");
    refused_text("site: \xC0\xAF\n",
                 "x.yaml:1:7: byte 0xC0 is not valid UTF-8; save the file as UTF-8");
    refused_text("site: \xED\xA0\x80\n",
                 "x.yaml:1:7: byte 0xED is not valid UTF-8; save the file as UTF-8");
    refused_text("site: \xF4\x90\x80\x80\n",
                 "x.yaml:1:7: byte 0xF4 is not valid UTF-8; save the file as UTF-8");
    refused_text("# \xC3\xA9t\xC3",
                 "x.yaml:1:5: byte 0xC3 is not valid UTF-8; save the file as UTF-8");
}

static void control_characters_are_refused(void **state)
{
    (void)state;
    refused_text("site: heron\x1b[31m\n",
                 "x.yaml:1:12: control character 0x1B; expected text only");
    refused("site: a\0b\n", 10, "x.yaml:1:8: control character 0x00; expected text only");
    /* Written as an escape it is text for YAML, but no text that can be shown. */
    refused_text("site: \"a\\0b\"\n", "x.yaml:1:7: a NUL character; expected text only");
}

static void deep_nesting_is_refused(void **state)
{
    char text[2007] = "site: ";
    (void)state;
    memset(text + 6, '[', 2000);
    refused_text(text, "x.yaml:1:22: more than 16 levels of nesting");
}

static void too_many_values_are_refused(void **state)
{
    char *text = malloc(PLAN_TEXT_MAX);
    size_t used = (size_t)snprintf(text, PLAN_TEXT_MAX, "site: [");
    (void)state;
    while (used < 200000)
        used += (size_t)snprintf(text + used, PLAN_TEXT_MAX - used, "x, ");
    used += (size_t)snprintf(text + used, PLAN_TEXT_MAX - used, "x]\n");
    refused(text, used,
            "x.yaml:1:149999: more than 50,000 values in one file; this is no configuration");
    free(text);
}

static void a_byte_order_mark_before_the_text_does_no_harm(void **state)
{
    (void)state;
    refused_text(
        "\xEF\xBB\xBF"
        "colour: blue\n",
        "x.yaml:1:1: unknown key `colour` in the configuration; expected site, box, orders_group, "
        "lines, wells, destinations, journal or maps");
}

static void an_empty_text_is_refused(void **state)
{
    (void)state;
    refused("", 0, "x.yaml: the file is empty; expected a configuration or a map");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_alias_bomb_is_refused_in_little_memory),
        cmocka_unit_test(more_than_one_mebibyte_is_refused),
        cmocka_unit_test(a_large_file_on_disk_is_refused_too),
        cmocka_unit_test(invalid_utf8_is_named_with_its_place),
        cmocka_unit_test(control_characters_are_refused),
        cmocka_unit_test(deep_nesting_is_refused),
        cmocka_unit_test(too_many_values_are_refused),
        cmocka_unit_test(a_byte_order_mark_before_the_text_does_no_harm),
        cmocka_unit_test(an_empty_text_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
