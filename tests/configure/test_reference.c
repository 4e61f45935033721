/* SPDX-License-Identifier: Apache-2.0
 *
 * test_reference.c - the printed reference is the one of the docs. After a change of the table of
 * keys run `uphole check --reference > docs/configuration.md`, and put `uphole check
 * --reference=maps` between the marks of docs/maps.md.
 */
#include "check.h"

#include "uphole/plan.h"

#include <stdlib.h>

#define TEXT_MAX (256 * 1024)

static char *read_text(const char *path)
{
    FILE *file = fopen(path, "re");
    if (!file)
        fail_msg("no %s", path);
    char *text = calloc(1, TEXT_MAX);
    assert_non_null(text);
    assert_in_range(fread(text, 1, TEXT_MAX - 1, file), 1, TEXT_MAX - 2);
    (void)fclose(file);
    return text;
}

static char *printed(void (*print)(void *stream))
{
    char *text = NULL;
    size_t length = 0;
    FILE *stream = open_memstream(&text, &length);
    assert_non_null(stream);
    print(stream);
    (void)fclose(stream);
    return text;
}

static void docs_configuration_is_what_the_program_prints(void **state)
{
    char *text = printed(plan_print_configuration_reference),
         *docs = read_text(UPHOLE_SOURCE_DIR "/docs/configuration.md");
    (void)state;
    check_text("docs/configuration.md", docs, text);
    free(text);
    free(docs);
}

static void docs_maps_holds_what_the_program_prints(void **state)
{
    static const char BEGIN[] = "<!-- printed by `uphole check --reference=maps` -->\n",
                      END[] = "<!-- end of the printed part -->\n";
    char *text = printed(plan_print_maps_reference),
         *docs = read_text(UPHOLE_SOURCE_DIR "/docs/maps.md");
    (void)state;
    char *begin = strstr(docs, BEGIN), *end = strstr(docs, END);
    assert_non_null(begin);
    assert_non_null(end);
    *end = 0;
    check_text("docs/maps.md between its marks", begin + strlen(BEGIN), text);
    free(text);
    free(docs);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(docs_configuration_is_what_the_program_prints),
        cmocka_unit_test(docs_maps_holds_what_the_program_prints),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
