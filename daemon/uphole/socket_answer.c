/* SPDX-License-Identifier: Apache-2.0
 *
 * socket_answer.c - see socket_answer.h.
 */
#include "socket_answer.h"

#include "reload.h"
#include "trace_answer.h"

#include <string.h>
#include <sysexits.h>

static const struct question {
    const char *name; /* with its format */
    bool has_well;
    void (*of_all)(const struct status_view *view, struct socket_text *text);
    void (*of_well)(const struct status_view *view, uint16_t well, struct socket_text *text);
} QUESTIONS[] = {
    {"status text", false, status_as_text, NULL},
    {"status json", false, status_as_json, NULL},
    {"read text", true, NULL, read_as_text},
    {"read json", true, NULL, read_as_json},
    {"read uncertainty", true, NULL, read_with_uncertainty},
    {"held text", false, held_as_text, NULL},
    {"reload text", false, reload_as_text, NULL},
    {"watch text", true, NULL, watch_as_text},
    {"line text", true, NULL, line_as_text},
    {"confirmed text", true, NULL, confirmed_as_text},
    {"confirmed json", true, NULL, confirmed_as_json},
    {"scans text", true, NULL, scans_as_text},
};

static int no_such_well(const struct plan *plan, struct socket_text *text)
{
    text_add(text, "There is no such well; the wells are");
    for (uint16_t w = 0; w < plan->n_wells && w < 8; w++)
        text_add(text, "%s %s", w == 0 ? "" : ",", plan->wells[w].id);
    if (plan->n_wells > 8)
        text_add(text, " and %u more", plan->n_wells - 8u);
    text_add(text, ".");
    return EX_NOINPUT;
}

int socket_answer(const struct status_view *view, const char *request, struct socket_text *text)
{
    if (strncmp(request, "trace ", 6) == 0)
        return trace_answer(view, request + 6, text);
    if (strncmp(request, "plan ", 5) == 0)
        return plan_answer(view, request + 5, text);
    for (size_t i = 0; i < sizeof QUESTIONS / sizeof *QUESTIONS; i++) {
        const struct question *question = &QUESTIONS[i];
        const size_t length = strlen(question->name);
        if (strncmp(request, question->name, length) != 0)
            continue;
        if (!question->has_well && request[length] == '\0') {
            question->of_all(view, text);
            return 0;
        }
        if (!question->has_well || request[length] != ' ')
            continue;
        for (uint16_t w = 0; w < view->plan->n_wells; w++)
            if (strcmp(view->plan->wells[w].id, request + length + 1) == 0) {
                question->of_well(view, w, text);
                return 0;
            }
        return no_such_well(view->plan, text);
    }
    text_add(text,
             "This Uphole does not know the question; the program that asks may be of another "
             "version.");
    return EX_USAGE;
}
