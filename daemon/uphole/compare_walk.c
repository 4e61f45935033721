/* SPDX-License-Identifier: Apache-2.0
 *
 * compare_walk.c - `uphole compare` at the keyboard: a channel, what the screen says, the verdict;
 * and the next.
 *
 * Uphole's own number isn't shown before the screen's was typed, so that nobody types what should
 * stand there. While the person reads and types, the scans are looked at each second, so that those
 * around the key press are at hand. Typed text goes nowhere but into screen_value_from_text.
 */
#include "comparing.h"

#include <errno.h>
#include <poll.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

#define TRIES_MAX 5
#define LOOK_EVERY_MS 1000
#define WAIT_STEP_MS 100
#define PATIENCE_MS 5000 /* beyond a poll: its retries, and a commit */
#define LINE_MAX_BYTES 128

enum typed { TYPED_LINE = 1, TYPED_TOO_LONG, TYPED_END, TYPED_SIGNAL };

struct keyboard {
    struct comparing *comparing;
    struct up_error *error;
    int code;         /* of a look that failed */
    bool is_overlong; /* the line that is being typed was longer than the buffer, and is dropped */
    size_t n;
    char buffer[512];
};

static int look(struct comparing *comparing, struct up_error *error)
{
    bool changed = false;
    const int code = unit_link_look(comparing->link, &changed, error);
    if (code != 0 || !changed)
        return code;
    (void)UP_FAIL(error, UP_E_LOCKED,
                  "the configuration was changed meanwhile; compare again, with the new one");
    return EX_TEMPFAIL;
}

/* ---- judging ---- */

static void judge_now(struct comparing *comparing, struct pair *pair)
{
    struct compare_question question;
    unit_link_question(comparing->link, pair->source, pair->channel, pair->instant_ms, &question);
    compare_judge(&question, &pair->value, &pair->result);
}

static bool is_settled(const struct comparing *comparing, const struct pair *pair)
{
    struct compare_question question;
    unit_link_question(comparing->link, pair->source, pair->channel, pair->instant_ms, &question);
    return compare_is_settled(&question, &pair->result);
}

int comparing_judge(struct comparing *comparing, struct pair *pair, struct up_error *error)
{
    const int64_t patience_ms =
        (int64_t)unit_link_entry(comparing->link, pair->source)->poll_every_ms + PATIENCE_MS;
    const bool is_shown = isatty(STDERR_FILENO) != 0;
    bool is_said = false;
    for (int64_t waited_ms = 0;; waited_ms += WAIT_STEP_MS) {
        int code = waited_ms % (5 * WAIT_STEP_MS) == 0 ? look(comparing, error) : 0;
        if (code != 0)
            return code;
        judge_now(comparing, pair);
        if (is_settled(comparing, pair) ||
            clock_boot_ms(&comparing->clock) - pair->instant_ms > patience_ms ||
            comparing_has_stopped())
            break;
        if (is_shown && !is_said)
            fprintf(stderr, "  Waiting for the next scan, at most %lld s ...",
                    (long long)(patience_ms / 1000));
        is_said = true;
        poll(NULL, 0, WAIT_STEP_MS);
    }
    if (is_shown && is_said)
        fputs("\r\033[K", stderr);
    pair->state = PAIR_DONE;
    return 0;
}

/* ---- the keyboard ---- */

/** Takes a line out of the buffer; false where none is whole. */
static bool cut_line(struct keyboard *keyboard, char line[static LINE_MAX_BYTES], enum typed *typed)
{
    const char *end = memchr(keyboard->buffer, '\n', keyboard->n);
    if (end == NULL)
        return false;
    const size_t length = (size_t)(end - keyboard->buffer);
    *typed = length < LINE_MAX_BYTES && !keyboard->is_overlong ? TYPED_LINE : TYPED_TOO_LONG;
    keyboard->is_overlong = false;
    if (*typed == TYPED_LINE) {
        memcpy(line, keyboard->buffer, length);
        line[length] = '\0';
    }
    keyboard->n -= length + 1;
    memmove(keyboard->buffer, end + 1, keyboard->n);
    return true;
}

/** The next line; scans are looked at meanwhile. */
static enum typed next_line(struct keyboard *keyboard, char line[static LINE_MAX_BYTES])
{
    enum typed typed = TYPED_END;
    fflush(stderr);
    while (!cut_line(keyboard, line, &typed)) {
        struct pollfd waits = {.fd = STDIN_FILENO, .events = POLLIN};
        const int ready = poll(&waits, 1, LOOK_EVERY_MS);
        if (comparing_has_stopped())
            return TYPED_SIGNAL;
        if (ready == 0) {
            keyboard->code = look(keyboard->comparing, keyboard->error);
            if (keyboard->code != 0)
                return TYPED_END;
            continue;
        }
        if (ready < 0)
            continue; /* a signal that isn't ours */
        if (keyboard->n == sizeof keyboard->buffer) {
            keyboard->is_overlong = true;
            keyboard->n = 0;
        }
        const ssize_t got = read(STDIN_FILENO, keyboard->buffer + keyboard->n,
                                 sizeof keyboard->buffer - keyboard->n);
        if (got == 0 || (got < 0 && errno != EINTR)) /* the keyboard's end leaves errno alone */
            return TYPED_END;
        keyboard->n += got > 0 ? (size_t)got : 0;
    }
    return typed;
}

/** False: the session ends. */
static bool ends(struct keyboard *keyboard, enum typed typed)
{
    if (typed == TYPED_LINE || typed == TYPED_TOO_LONG)
        return false;
    keyboard->comparing->is_stopped = true;
    fputs("\n", stderr);
    return true;
}

static void help(void)
{
    fputs("  Type the number and the unit as the surface unit's screen shows them, and press Enter "
          "in the moment in which they stand there:\n"
          "  1790 psi, 87.4 C, 0.35 g, 1775 psig, 12.34 MPa. All digits that the screen shows: "
          "they tell how exactly the two can agree.\n"
          "  --- or none where the screen shows no value; s skips this channel; q stops, and what "
          "is done so far is printed.\n"
          "  If the cabinet must be opened to read the screen, that is work under the site's "
          "electrical procedure and permit.\n",
          stderr);
}

/** Asks for a role once; false: none was given. */
static bool has_role(struct keyboard *keyboard)
{
    struct comparing *comparing = keyboard->comparing;
    char line[LINE_MAX_BYTES];
    if (comparing->role[0] != '\0')
        return true;
    fputs("  In which role do you confirm (such as field technician; nothing: don't confirm)? ",
          stderr);
    const enum typed typed = next_line(keyboard, line);
    if (ends(keyboard, typed) || typed == TYPED_TOO_LONG || line[0] == '\0')
        return false;
    if (strlen(line) > COMPARE_ROLE_MAX) {
        fprintf(stderr, "  A role has at most %d characters; not confirmed.\n", COMPARE_ROLE_MAX);
        return false;
    }
    memcpy(comparing->role, line, strlen(line) + 1);
    return true;
}

static void offer_confirmation(struct keyboard *keyboard, struct pair *pair)
{
    struct comparing *comparing = keyboard->comparing;
    char line[LINE_MAX_BYTES];
    if (!comparing_may_confirm(comparing, pair))
        return;
    if (!comparing->confirms) {
        fprintf(stderr, "  Confirm that the unit of %s is as configured? [y/N] ",
                point_get(pair->point)->id);
        const enum typed typed = next_line(keyboard, line);
        comparing->is_stopped = typed == TYPED_LINE && strcmp(line, "q") == 0;
        if (ends(keyboard, typed) || typed != TYPED_LINE ||
            (strcmp(line, "y") != 0 && strcmp(line, "yes") != 0))
            return;
    }
    if (!has_role(keyboard))
        return;
    comparing_confirm(comparing, pair);
    fprintf(stderr, "  %s\n", pair->said);
}

/** One typed line. False: the channel is done with, or the session ends. */
static bool asks_again(struct keyboard *keyboard, struct pair *pair, const char *line,
                       unsigned *tries)
{
    struct comparing *comparing = keyboard->comparing;
    struct up_error error = {0};
    if (strcmp(line, "?") == 0) {
        help();
        return true;
    }
    if (strcmp(line, "s") == 0 || strcmp(line, "q") == 0) {
        pair->state = *line == 's' ? PAIR_SKIPPED : PAIR_OPEN;
        comparing->is_stopped = *line == 'q';
        return false;
    }
    pair->instant_ms = clock_boot_ms(&comparing->clock);
    pair->instant_utc_ms = comparing->clock.utc_us(comparing->clock.context) / 1000;
    if (screen_value_from_text(line, strlen(line), pair->point, &pair->value, &error) != UP_OK) {
        fprintf(stderr, "  %s.%s\n", error.why,
                ++*tries < TRIES_MAX ? " Once more, or ? for help:" : "");
        return *tries < TRIES_MAX;
    }
    keyboard->code = comparing_judge(comparing, pair, keyboard->error);
    if (keyboard->code != 0 || comparing_has_stopped()) {
        pair->state = PAIR_OPEN; /* half a comparison is none */
        comparing->is_stopped = true;
        return false;
    }
    comparing_show_pair(stderr, pair);
    offer_confirmation(keyboard, pair);
    return false;
}

static void ask(struct keyboard *keyboard, struct pair *pair, unsigned which)
{
    char line[LINE_MAX_BYTES];
    unsigned tries = 0, lines = 0;
    const struct point *point = point_get(pair->point);
    fprintf(stderr, "\n%u of %u  %s (%s)\n", which + 1, keyboard->comparing->n, point->id,
            point->trade_name);
    for (; lines < 4 * TRIES_MAX; lines++) {
        fputs("  the screen says: ", stderr);
        const enum typed typed = next_line(keyboard, line);
        if (ends(keyboard, typed))
            return;
        if (typed == TYPED_TOO_LONG)
            snprintf(line, sizeof line, "(too long)");
        if (!asks_again(keyboard, pair, line, &tries))
            break;
    }
    if (pair->state == PAIR_OPEN && !keyboard->comparing->is_stopped) {
        pair->state = PAIR_SKIPPED;
        fputs("  Skipped: nothing that could be read was typed.\n", stderr);
    }
}

int comparing_walk(struct comparing *comparing, struct up_error *error)
{
    struct keyboard keyboard = {.comparing = comparing, .error = error};
    for (unsigned i = 0; i < comparing->n && !comparing->is_stopped; i++)
        ask(&keyboard, &comparing->pair[i], i);
    fputs("\n", stderr);
    return keyboard.code;
}
