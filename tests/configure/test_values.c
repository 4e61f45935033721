/* SPDX-License-Identifier: Apache-2.0
 *
 * test_values.c - numbers and texts: exact decimals, durations, suggestions.
 */
#include "check.h"

#include "rooms.h"

#include <fcntl.h>
#include <locale.h>
#include <spawn.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

static void decimals_are_written_exactly_and_without_exponent(void **state)
{
    char text[DECIMAL_TEXT_MAX];
    (void)state;
    decimal_to_text((struct decimal){1, -3}, text);
    check_text("1e-3", text, "0.001");
    decimal_to_text((struct decimal){-27315, -2}, text);
    check_text("-273.15", text, "-273.15");
    decimal_to_text((struct decimal){1000, -3}, text);
    check_text("1000e-3 is 1", text, "1");
    decimal_to_text((struct decimal){12, 3}, text);
    check_text("12e3", text, "12000");
    decimal_to_text((struct decimal){0, 5}, text);
    check_text("0", text, "0");
    decimal_to_text((struct decimal){5, -1}, text);
    check_text("0.5", text, "0.5");
}

static void a_double_survives_as_its_shortest_decimal(void **state)
{
    static const double VALUES[] = {
        0.1, 1.0 / 3,  6.894757293168361, 1e22,     5e-7,
        -40, 294.1995, 123456789.125,     4.9e-324, 1.7976931348623157e308};
    (void)state;
    for (size_t i = 0; i < sizeof VALUES / sizeof VALUES[0]; i++)
        check_close("round trip", decimal_to_double(decimal_from_double(VALUES[i])), VALUES[i], 0);
    char text[DECIMAL_TEXT_MAX];
    decimal_to_text(decimal_from_double(0.1), text);
    check_text("0.1, not 0.1000000000000000055", text, "0.1");
}

/* Runs a program of the machine without its output; false where it fails or isn't there. */
static bool run_quietly(char *const arguments[])
{
    posix_spawn_file_actions_t actions;
    pid_t child;
    int status = -1;
    (void)posix_spawn_file_actions_init(&actions);
    (void)posix_spawn_file_actions_addopen(&actions, 1, "/dev/null", O_WRONLY, 0);
    (void)posix_spawn_file_actions_adddup2(&actions, 1, 2);
    const bool started =
        posix_spawnp(&child, arguments[0], &actions, NULL, arguments, environ) == 0;
    (void)posix_spawn_file_actions_destroy(&actions);
    return started && waitpid(child, &status, 0) == child && status == 0;
}

/* Sets a locale with a decimal comma, made in `directory` by localedef; false where this machine
 * can't. */
static bool set_decimal_comma(const char *directory)
{
    char path[80];
    (void)snprintf(path, sizeof path, "%s/de_DE.UTF-8", directory);
    if (!run_quietly((char *[]){"localedef", "-i", "de_DE", "-f", "UTF-8", path, NULL}))
        return false;
    (void)setenv("LOCPATH", directory, 1);
    return setlocale(LC_NUMERIC, "de_DE.UTF-8") != NULL && localeconv()->decimal_point[0] == ',';
}

/* Planted defect that this must catch: digits read only up to a decimal comma. */
static void the_locale_does_not_matter(void **state)
{
    char directory[] = "/tmp/uphole-locale-XXXXXX", text[DECIMAL_TEXT_MAX];
    (void)state;
    assert_non_null(mkdtemp(directory));
    const bool is_set = set_decimal_comma(directory);
    decimal_to_text(decimal_from_double(87.4), text);
    const double read = decimal_to_double(decimal_from_double(1.0 / 3));
    (void)setlocale(LC_NUMERIC, "C");
    (void)run_quietly((char *[]){"rm", "-r", directory, NULL});
    if (!is_set) {
        print_message("skipped: no locale with a decimal comma can be made on this machine\n");
        skip();
    }
    check_text("87.4", text, "87.4");
    check_close("1/3", read, 1.0 / 3, 0);
}

static void durations_are_written_in_their_longest_exact_unit(void **state)
{
    char text[DECIMAL_TEXT_MAX];
    static const struct {
        uint64_t ms;
        const char *text;
    } ROWS[] = {{0, "0 s"},      {1, "1 ms"},       {1500, "1500 ms"}, {1000, "1 s"},
                {60000, "60 s"}, {120000, "2 min"}, {7200000, "2 h"},  {34560000000, "400 days"}};
    (void)state;
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        duration_text(ROWS[i].ms, text);
        check_text("duration", text, ROWS[i].text);
    }
}

static struct plan_faults faults;

static uint64_t duration(const char *text)
{
    const struct node node = {.kind = NODE_SCALAR,
                              .file = "x",
                              .line = 1,
                              .column = 1,
                              .text = text,
                              .length = strlen(text)};
    uint64_t ms = UINT64_MAX;
    memset(&faults, 0, sizeof faults);
    (void)value_duration(&faults, &node, "poll_every", 0, 1e12, &ms);
    return ms;
}

static void durations_need_their_unit(void **state)
{
    (void)state;
    check_count("1 s", (long long)duration("1 s"), 1000);
    check_count("1s", (long long)duration("1s"), 1000);
    check_count("0.5 s", (long long)duration("0.5 s"), 500);
    check_count("1.5 h", (long long)duration("1.5 h"), 5400000);
    check_count("400 days", (long long)duration("400 days"), 34560000000);
    check_count("1", (long long)duration("1"), -1);
    check_count("fault", faults.n, 1);
    check_count("1 m: month, minute or metre", (long long)duration("1 m"), -1);
    check_count("-1 s", (long long)duration("-1 s"), -1);
    check_count("s", (long long)duration("s"), -1);
    check_count("1 s 2", (long long)duration("1 s 2"), -1);
    check_count("1e3 ms", (long long)duration("1e3 ms"), 1000);
    check_count("inf s", (long long)duration("inf s"), -1);
    check_count("nan s", (long long)duration("nan s"), -1);
}

static const char *word_at(const void *context, int i)
{
    const char *const *words = context;
    return words[i];
}

static void a_slip_of_the_finger_finds_its_word_and_a_stranger_does_not(void **state)
{
    static const char *const WORDS[] = {"speed", "frame", "response_timeout", "unit_id", NULL};
    (void)state;
    check_text("letter changed", suggest("spead", word_at, WORDS), "speed");
    check_text("letters swapped", suggest("fraem", word_at, WORDS), "frame");
    check_text("letters dropped", suggest("respose_timeot", word_at, WORDS), "response_timeout");
    check_text("letter added", suggest("unit__id", word_at, WORDS), "unit_id");
    assert_null(suggest("colour", word_at, WORDS));
    assert_null(suggest("", word_at, WORDS));
    assert_null(
        suggest("a very long text that is no key at all and goes on and on", word_at, WORDS));
}

/* Owner, reader: user ids. A credential of systemd shows the service's user by an access list in
 * the group bits. */
static void a_secret_is_its_readers_alone(void **state)
{
    const unsigned file = 0100000;
    (void)state;
    assert_null(secret_fault("/etc/p", file | 0400, 1000, 1000));
    assert_null(secret_fault("/etc/p", file | 0600, 0, 1000));
    assert_null(secret_fault("/etc/p", file | 0400, 1000, 0));
    assert_non_null(secret_fault("/etc/p", file | 0440, 1000, 1000));
    assert_non_null(secret_fault("/etc/p", file | 0404, 1000, 1000));
    assert_non_null(secret_fault("/etc/p", file | 0400, 1001, 1000));
    assert_null(secret_fault("/run/credentials/uphole.service/p", file | 0440, 0, 1000));
    assert_non_null(secret_fault("/run/credentials/uphole.service/p", file | 0444, 0, 1000));
    assert_non_null(secret_fault("/etc/p", 0040000 | 0700, 1000, 1000));
}

static void this_box_is_known_by_its_loopback_addresses(void **state)
{
    (void)state;
    assert_true(host_is_this_box("127.0.0.1"));
    assert_true(host_is_this_box("127.8.9.1"));
    assert_true(host_is_this_box("::1"));
    assert_true(host_is_this_box("localhost"));
    assert_false(host_is_this_box("192.0.2.1"));
    assert_false(host_is_this_box("localhost.heron.example"));
    assert_false(host_is_this_box("1270.0.1"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(decimals_are_written_exactly_and_without_exponent),
        cmocka_unit_test(a_double_survives_as_its_shortest_decimal),
        cmocka_unit_test(the_locale_does_not_matter),
        cmocka_unit_test(durations_are_written_in_their_longest_exact_unit),
        cmocka_unit_test(durations_need_their_unit),
        cmocka_unit_test(a_slip_of_the_finger_finds_its_word_and_a_stranger_does_not),
        cmocka_unit_test(a_secret_is_its_readers_alone),
        cmocka_unit_test(this_box_is_known_by_its_loopback_addresses),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
