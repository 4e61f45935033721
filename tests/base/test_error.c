/* SPDX-License-Identifier: Apache-2.0
 *
 * test_error.c - errors that climb whole, log lines that cannot be forged, and foreign text that is
 * safe to show.
 *
 * Planted defects that these must catch, and did: a line feed in a sentence that starts a second
 * log line; an overlong UTF-8 form passed on.
 */
#include "check.h"

#include "uphole/error.h"
#include "uphole/say.h"

#include <errno.h>
#include <stdlib.h>
#include <sysexits.h>
#include <unistd.h>

static enum up_rc open_something(struct up_error *error)
{
    errno = ENOENT;
    return UP_FAIL_ERRNO(error, UP_E_MISSING, "no file %s", "scaled-16.yaml");
}

static void an_error_keeps_its_reason_and_errno(void **state)
{
    (void)state;
    struct up_error error = {0};
    assert_int_equal(open_something(&error), UP_E_MISSING);
    check_text("why", error.why, "no file scaled-16.yaml");
    check_count("errno", error.sys_errno, ENOENT);
    check_count("errno stays", errno, ENOENT);
    assert_non_null(strstr(error.file, "test_error.c"));
    assert_true(error.line > 0);
    up_error_prefix(&error, "uphole.yaml:%d:%d", 12, 5);
    check_text("prefix", error.why, "uphole.yaml:12:5: no file scaled-16.yaml");
    assert_int_equal(UP_FAIL(&error, UP_E_CONFIG, "map: %s", error.why),
                     UP_E_CONFIG); /* its own text as an argument */
    check_text("own text", error.why, "map: uphole.yaml:12:5: no file scaled-16.yaml");
    assert_int_equal(UP_FAIL(NULL, UP_E_RANGE, "nobody %s", "listens"), UP_E_RANGE);
    up_error_prefix(NULL, "x");
}

static void a_long_reason_is_cut_between_characters(void **state)
{
    (void)state;
    struct up_error error = {0};
    char text[800];
    for (size_t i = 0; i < sizeof text - 1; i++)
        text[i] = "\xC2\xB0"[i % 2];
    text[sizeof text - 1] = '\0';
    (void)UP_FAIL(&error, UP_E_INPUT, "x%s", text);
    check_count("length", (long long)strlen(error.why), UP_WHY_MAX - 1);
    (void)UP_FAIL(&error, UP_E_INPUT, "%s", text);
    check_count("length", (long long)strlen(error.why), UP_WHY_MAX - 2);
    up_error_prefix(&error, "%s", text);
    assert_true(strlen(error.why) < UP_WHY_MAX);
}

static void each_kind_has_its_exit_code(void **state)
{
    (void)state;
    check_count("ok", up_exit_code(UP_OK), 0);
    check_count("usage", up_exit_code(UP_E_USAGE), EX_USAGE);
    check_count("config", up_exit_code(UP_E_CONFIG), EX_CONFIG);
    check_count("missing", up_exit_code(UP_E_MISSING), EX_NOINPUT);
    for (int rc = UP_E_USAGE; rc <= UP_E_SYSTEM; rc++)
        assert_true(up_exit_code((enum up_rc)rc) >= EX__BASE &&
                    up_exit_code((enum up_rc)rc) <= EX__MAX);
    check_count("unknown", up_exit_code((enum up_rc)99), EX_SOFTWARE);
}

/** What `say` wrote to standard error, through a pipe. */
static void catch_start(int pipe_fds[2], int *kept)
{
    assert_int_equal(pipe(pipe_fds), 0);
    *kept = dup(STDERR_FILENO);
    dup2(pipe_fds[1], STDERR_FILENO);
}
static size_t catch_end(int pipe_fds[2], int kept, char *into, size_t room)
{
    dup2(kept, STDERR_FILENO);
    close(kept);
    close(pipe_fds[1]);
    ssize_t got = read(pipe_fds[0], into, room - 1);
    close(pipe_fds[0]);
    into[got < 0 ? 0 : got] = '\0';
    return got < 0 ? 0 : (size_t)got;
}

static void a_log_line_is_one_line(void **state)
{
    (void)state;
    int fds[2], kept;
    char text[2048];
    catch_start(fds, &kept);
    say(SAY_WARNING, "gather", "No answer from %s.", "heron-7");
    catch_end(fds, kept, text, sizeof text);
    check_text("prefix of sd-daemon(3)", text, "<4>warning gather: No answer from heron-7.\n");
    catch_start(fds, &kept);
    say(SAY_ERROR, "publish", "%s", "reason\n<3>error core: forged\x1b[2J");
    catch_end(fds, kept, text, sizeof text);
    check_text("one line", text, "<3>error publish: reason <3>error core: forged [2J\n");
}

static void a_long_log_line_is_cut_at_1024_bytes(void **state)
{
    (void)state;
    int fds[2], kept;
    char text[4096], sentence[3000];
    memset(sentence, 'a', sizeof sentence - 1);
    sentence[sizeof sentence - 1] = '\0';
    catch_start(fds, &kept);
    errno = EPIPE;
    say(SAY_INFO, "core", "%s", sentence);
    assert_int_equal(errno, EPIPE);
    size_t n = catch_end(fds, kept, text, sizeof text);
    assert_true(n <= 1024 && n > 1000 && text[n - 1] == '\n');
}

static void text_from_outside_is_safe_to_show(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        size_t length;
        const char *want;
    } TEXTS[] = {
        {"plain", 5, "plain"},
        {"d\xC3\xA9j\xC3\xA0 \xE2\x84\xA6", 10, "d\xC3\xA9j\xC3\xA0 \xE2\x84\xA6"},
        {"a\nb\tc\x7F", 6, "a\\x0ab\\x09c\\x7f"},
        {"a\0b", 3, "a\\x00b"},
        {"\x1b[31m", 5, "\\x1b[31m"},
        {"\xC0\xAF", 2, "\\xc0\\xaf"},                   /* overlong slash, RFC 3629 section 10 */
        {"\xED\xA0\x80", 3, "\\xed\\xa0\\x80"},          /* surrogate */
        {"\xF4\x90\x80\x80", 4, "\\xf4\\x90\\x80\\x80"}, /* above U+10FFFF */
        {"\xF0\x9F\x98\x80", 4, "\xF0\x9F\x98\x80"},
        {"\xE2\x84", 2, "\\xe2\\x84"},          /* cut off */
        {"\xC2\x9B", 2, "\\xc2\\x9b"},          /* C1: control sequence introducer */
        {"\xE2\x80\xAE", 3, "\\xe2\\x80\\xae"}, /* right-to-left override */
        {"", 0, ""},
    };
    for (size_t i = 0; i < sizeof TEXTS / sizeof TEXTS[0]; i++) {
        char into[64];
        check_count(TEXTS[i].want,
                    (long long)say_escape(into, sizeof into, TEXTS[i].text, TEXTS[i].length),
                    (long long)strlen(TEXTS[i].want));
        check_text("escaped", into, TEXTS[i].want);
    }
    char small[8] = "zzzzzzz";
    check_count("cut before what does not fit", (long long)say_escape(small, 5, "abc\n", 4), 3);
    check_text("cut", small, "abc");
    check_count("one byte", (long long)say_escape(small, 1, "abc", 3), 0);
    check_count("no room", (long long)say_escape(small, 0, "abc", 3), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_error_keeps_its_reason_and_errno),
        cmocka_unit_test(a_long_reason_is_cut_between_characters),
        cmocka_unit_test(each_kind_has_its_exit_code),
        cmocka_unit_test(a_log_line_is_one_line),
        cmocka_unit_test(a_long_log_line_is_cut_at_1024_bytes),
        cmocka_unit_test(text_from_outside_is_safe_to_show),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
