/* SPDX-License-Identifier: Apache-2.0
 *
 * trace_answer.c - see trace_answer.h.
 */
#include "trace_answer.h"

#include "uphole/trace.h"

#include <inttypes.h>
#include <string.h>
#include <sysexits.h>

#define LINES_NAMED_MAX 8

static void add_event(struct socket_text *text, const struct trace_event *event)
{
    char line[TRACE_LINE_MAX];
    (void)trace_put_event(event, NULL, line);
    text_add(text, "%s", line);
}

static void add_head(struct socket_text *text, const struct trace_about *about)
{
    char head[TRACE_LINE_MAX];
    (void)trace_put_head(about, head);
    text_add(text, "%s", head);
}

/** Events from number `from` on; what the ring no longer holds of them is said first. */
static void add_events(struct socket_text *text, const struct trace_copy *copy, uint64_t from)
{
    char why[TRACE_WHY_MAX + 1];
    struct trace_event event;
    uint64_t number = copy->first;
    bool cut_is_said = from >= copy->first;
    for (size_t at = 0; trace_copy_next(copy, &at, why, &event); number++) {
        if (number < from)
            continue;
        if (!cut_is_said) {
            const struct trace_event cut = {
                .at_us = event.at_us, .kind = TRACE_CUT, .amount = (int64_t)(copy->first - from)};
            add_event(text, &cut);
            cut_is_said = true;
        }
        add_event(text, &event);
    }
}

static int no_such_line(const struct plan *plan, struct socket_text *text)
{
    text_add(text, "There is no such line; the lines are");
    for (uint16_t i = 0; i < plan->n_lines && i < LINES_NAMED_MAX; i++)
        text_add(text, "%s %s", i == 0 ? "" : ",", plan->lines[i].name);
    if (plan->n_lines > LINES_NAMED_MAX)
        text_add(text, " and %d more", plan->n_lines - LINES_NAMED_MAX);
    text_add(text, ".");
    return EX_NOINPUT;
}

/** Reads `LINE` or `LINE N`; false where it is neither. */
static bool take_words(const char *words, bool has_number, char line[static NAME_LENGTH_MAX + 1],
                       uint64_t *number)
{
    const size_t n = strcspn(words, " ");
    if (n > NAME_LENGTH_MAX)
        return false;
    memcpy(line, words, n);
    line[n] = '\0';
    const char *rest = words + n;
    *number = 0;
    if (!has_number)
        return *rest == '\0';
    if (*rest++ != ' ' || *rest == '\0')
        return false;
    for (; *rest >= '0' && *rest <= '9' && *number < UINT64_MAX / 10 - 9; rest++)
        *number = 10 * *number + (uint64_t)(*rest - '0');
    return *rest == '\0';
}

static int show(struct trace *trace, bool follows, uint64_t number, struct socket_text *text)
{
    struct trace_copy copy; /* on core's stack, which has 8 MiB */
    trace_copy_take(trace, &copy);
    if (number != 0 && (number < copy.oldest || number > copy.next)) {
        text_add(text, "The line was started anew, and its trace with it. Ask again for the new "
                       "one.");
        return EX_TEMPFAIL;
    }
    if (follows)
        text_add(text, "next %" PRIu64 " now %" PRId64 "\n", copy.next, copy.now_us);
    if (number == 0)
        add_head(text, &copy.about);
    add_events(text, &copy, number == 0 ? copy.oldest : number);
    if (!follows) {
        const struct trace_event end = {.at_us = copy.now_us, .kind = TRACE_END};
        add_event(text, &end);
    }
    return 0;
}

int trace_answer(const struct status_view *view, const char *words, struct socket_text *text)
{
    char line[NAME_LENGTH_MAX + 1];
    uint64_t number = 0;
    const bool follows = strncmp(words, "after ", 6) == 0;
    if ((!follows && strncmp(words, "text ", 5) != 0) ||
        !take_words(words + (follows ? 6 : 5), follows, line, &number)) {
        text_add(text, "This Uphole does not know the question; expected 'trace text LINE'.");
        return EX_USAGE;
    }
    for (uint16_t i = 0; i < view->plan->n_lines; i++) {
        if (strcmp(view->plan->lines[i].name, line) != 0)
            continue;
        if (view->gatherers[i] != NULL)
            return show(gather_trace(view->gatherers[i]), follows, number, text);
        text_add(text, "The line does not run at present.");
        return EX_TEMPFAIL;
    }
    return no_such_line(view->plan, text);
}
