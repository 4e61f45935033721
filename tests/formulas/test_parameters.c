/* SPDX-License-Identifier: Apache-2.0
 *
 * test_parameters.c - docs/parameters: its index is made of the table of points, each well
 * parameter has its page, and each example on a page is a row of parameters.md, which
 * formulas_calculate runs.
 *
 * UPHOLE_PARAMETERS_WRITE=1 writes the index anew. Planted defects seen: a page taken away; a
 * number of an example changed on its page alone; a title changed in points.c.
 */
#include "check.h"

#include "uphole/points.h"

#include <stdlib.h>

#define TEXT_MAX (256 * 1024)
#define FIRST POINT_DATUM_PRESSURE

static void read_text(const char *path, char *text)
{
    FILE *file = fopen(path, "re");
    if (file == NULL)
        fail_msg("%s is not there", path);
    const size_t n = fread(text, 1, TEXT_MAX - 1, file);
    text[n] = '\0';
    fclose(file);
    assert_true(n < TEXT_MAX - 1);
}

static char *text_new(void)
{
    char *text = calloc(1, TEXT_MAX);
    assert_non_null(text);
    return text;
}

static void print_index(FILE *out)
{
    fputs(
        "# Well parameters\n\n"
        "What an engineer of pumped wells computes by hand, worked out with each record from the "
        "gauge's readings and the dated `well_data`.\nThis page is made from the table of points. "
        "Formulas are those of `uphole calculate`, which shows their working.\n\n"
        "Each page says what the parameter tells, by which formula, from what, within which "
        "limits, and what it says when something is missing;\nits example is a row of "
        "`uphole calculate --rows`. The points below 53 stand in [derived.md](../derived.md), the "
        "registers of all of them in\n[table.md](../table.md). Monitoring only: never for trips, "
        "interlocks or closed-loop control.\n\n"
        "| # | point | what it is | unit | US unit | formula |\n"
        "|---|---|---|---|---|---|\n",
        out);
    for (unsigned number = FIRST; number < POINT_COUNT; number++) {
        const struct point *point = point_get(number);
        fprintf(out, "| %u | [%s](%s.md) | %s | %s | %s | %s |\n", number, point->id, point->id,
                point->trade_name, point->unit, point->us_unit, point->notes);
    }
}

static void the_index_is_made_of_the_table_of_points(void **state)
{
    (void)state;
    const char *path = UPHOLE_SOURCE_DIR "/docs/parameters/README.md";
    char *want = text_new(), *got = text_new();
    FILE *memory = fmemopen(want, TEXT_MAX, "w");
    assert_non_null(memory);
    print_index(memory);
    fclose(memory);
    if (getenv("UPHOLE_PARAMETERS_WRITE") != NULL) {
        FILE *file = fopen(path, "we");
        assert_non_null(file);
        fputs(want, file);
        fclose(file);
    }
    read_text(path, got);
    if (strcmp(got, want) != 0)
        fail_msg("docs/parameters/README.md differs from the table of points: "
                 "UPHOLE_PARAMETERS_WRITE=1 test_parameters");
    free(want);
    free(got);
}

/** The examples of a page: each a whole line of parameters.md. Returns how many. */
static unsigned examples_of(const char *page, const char *rows)
{
    unsigned n = 0;
    for (const char *at = strstr(page, "\n| P-"); at != NULL; at = strstr(at + 1, "\n| P-")) {
        const size_t length = strcspn(at + 1, "\n") + 2; /* between two ends of lines */
        char line[1024];
        assert_true(length < sizeof line);
        snprintf(line, sizeof line, "%.*s", (int)length, at);
        if (strstr(rows, line) == NULL)
            fail_msg("no row of tests/formulas/parameters.md:%s", line);
        n++;
    }
    return n;
}

static void each_parameter_has_its_page_and_example(void **state)
{
    (void)state;
    char *page = text_new(), *rows = text_new(), path[512], head[256];
    read_text(UPHOLE_SOURCE_DIR "/tests/formulas/parameters.md", rows);
    unsigned examples = 0, all = 0;
    for (unsigned number = FIRST; number < POINT_COUNT; number++) {
        const struct point *point = point_get(number);
        snprintf(path, sizeof path, UPHOLE_SOURCE_DIR "/docs/parameters/%s.md", point->id);
        read_text(path, page);
        snprintf(head, sizeof head, "# `%s`\n\nPoint %u, %s, %s.\n", point->id, number,
                 point->trade_name, point->unit);
        if (strncmp(page, head, strlen(head)) != 0)
            fail_msg("%s doesn't begin with:\n%s", path, head);
        static const char *const ROWS[] = {"\n| formula |",    "\n| read |", "\n| `well_data` |",
                                           "\n| validity |",   "\n| says |", "\n| source |",
                                           "\n| uncertainty |"};
        const bool is_reserved = strstr(page, "no well has it yet") != NULL;
        for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS - is_reserved; i++)
            if (strstr(page, ROWS[i]) == NULL)
                fail_msg("%s has no row '%s'", path, ROWS[i] + 1);
        const unsigned n = examples_of(page, rows);
        assert_true(n > 0);
        examples += n;
    }
    for (const char *at = strstr(rows, "\n| P-"); at != NULL; at = strstr(at + 1, "\n| P-"))
        all++;
    check_count("rows that stand on no page", all - examples, 0);
    free(page);
    free(rows);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_index_is_made_of_the_table_of_points),
        cmocka_unit_test(each_parameter_has_its_page_and_example),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
