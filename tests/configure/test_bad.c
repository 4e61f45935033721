/* SPDX-License-Identifier: Apache-2.0
 *
 * test_bad.c - every configuration in bad/ is refused with the texts that stand beside it, word for
 * word.
 *
 * The expected texts were read as a field technician reads them: file, line, column, what, and what
 * was expected. With UPHOLE_WRITE_GOLDEN=1 in the environment the texts are written anew; then read
 * them again before they are kept.
 */
#include "check.h"

#include "uphole/plan.h"

#include <dirent.h>
#include <stdlib.h>

#define BAD UPHOLE_SOURCE_DIR "/tests/configure/bad"
#define FILES_MAX 200
#define TEXT_MAX (PLAN_ERRORS_MAX * (PATH_LENGTH_MAX + UP_WHY_MAX + 40))

/* Takes the place of this checkout out of a text. */
static void make_relative(char *text)
{
    static const char PREFIX[] = UPHOLE_SOURCE_DIR "/";
    for (char *at; (at = strstr(text, PREFIX)) != NULL;)
        memmove(at, at + strlen(PREFIX), strlen(at + strlen(PREFIX)) + 1);
}

static void faults_text(const struct plan_faults *faults, char into[static TEXT_MAX])
{
    size_t used = 0;
    into[0] = 0;
    for (int i = 0; i < faults->n; i++) {
        char text[PATH_LENGTH_MAX + UP_WHY_MAX + 40];
        (void)plan_fault_to_text(&faults->fault[i], text, sizeof text);
        make_relative(text);
        used += (size_t)snprintf(into + used, TEXT_MAX - used, "%s\n", text);
    }
    if (faults->more > 0)
        (void)snprintf(into + used, TEXT_MAX - used, "and %d more\n", faults->more);
}

static char *read_text(const char *path)
{
    FILE *file = fopen(path, "re");
    if (!file)
        return NULL;
    char *text = calloc(1, TEXT_MAX);
    assert_non_null(text);
    assert_in_range(fread(text, 1, TEXT_MAX - 1, file), 1, TEXT_MAX - 2);
    (void)fclose(file);
    return text;
}

static void check_one(const char *name)
{
    static struct plan_faults faults;
    static char got[TEXT_MAX];
    struct plan *plan = NULL;
    char path[600], golden[600];
    (void)snprintf(path, sizeof path, BAD "/%s", name);
    (void)snprintf(golden, sizeof golden, BAD "/%.*s.expected", (int)strlen(name) - 5, name);
    const enum up_rc rc = plan_from_file(path, UPHOLE_SOURCE_DIR "/config/maps", &plan, &faults);
    if (rc == UP_OK)
        fail_msg("%s was accepted", name);
    check_count(name, rc, UP_E_CONFIG);
    check_count("exit code", up_exit_code(rc), 78);
    faults_text(&faults, got);
    if (getenv("UPHOLE_WRITE_GOLDEN")) {
        FILE *file = fopen(golden, "we");
        assert_non_null(file);
        (void)fputs(got, file);
        (void)fclose(file);
        return;
    }
    char *expected = read_text(golden);
    if (!expected)
        fail_msg("%s has no expected text", name);
    check_text(name, got, expected);
    free(expected);
}

static int is_yaml(const struct dirent *entry)
{
    const size_t n = strlen(entry->d_name);
    return n > 5 && strcmp(entry->d_name + n - 5, ".yaml") == 0;
}

static void bad_configurations_are_refused_with_their_golden_texts(void **state)
{
    struct dirent **names;
    (void)state;
    const int n = scandir(BAD, &names, is_yaml, alphasort);
    assert_in_range(n, 30, FILES_MAX);
    for (int i = 0; i < n; i++) {
        check_one(names[i]->d_name);
        free(names[i]);
    }
    free(names);
}

static void a_missing_file_is_66_and_not_78(void **state)
{
    static struct plan_faults faults;
    struct plan *plan = NULL;
    (void)state;
    const enum up_rc rc = plan_from_file(BAD "/no-such-file.yaml", NULL, &plan, &faults);
    check_count("rc", rc, UP_E_MISSING);
    check_count("exit code, EX_NOINPUT of sysexits.h", up_exit_code(rc), 66);
    check_text(
        "text", faults.fault[0].text,
        "no such file; name the file by its full path, or relative to the directory you are in");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(bad_configurations_are_refused_with_their_golden_texts),
        cmocka_unit_test(a_missing_file_is_66_and_not_78),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
