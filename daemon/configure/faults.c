/* SPDX-License-Identifier: Apache-2.0
 *
 * faults.c - the list of what is wrong in a configuration: collected in one run, shown in the order
 * of the text.
 */
#include "tree.h"

#include "uphole/say.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

__attribute__((format(printf, 5, 0))) static void fault_add(struct plan_faults *faults,
                                                            const char *file, int line, int column,
                                                            const char *format, va_list arguments)
{
    char text[UP_WHY_MAX];
    (void)vsnprintf(text, sizeof text, format, arguments);
    if (faults->n == PLAN_ERRORS_MAX) {
        faults->more++;
        return;
    }
    struct plan_fault *fault = &faults->fault[faults->n++];
    (void)snprintf(fault->file, sizeof fault->file, "%s", file);
    fault->line = line;
    fault->column = column;
    /* Texts quote what stands in the file, which may hold anything. */
    (void)say_escape(fault->text, sizeof fault->text, text, strlen(text));
}

void fault_in(struct plan_faults *faults, const char *file, int line, int column,
              const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    fault_add(faults, file, line, column, format, arguments);
    va_end(arguments);
}

void fault_at(struct plan_faults *faults, const struct node *node, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    fault_add(faults, node->file, node->line, node->column, format, arguments);
    va_end(arguments);
}

static bool fault_is_before(const struct plan_fault *a, const struct plan_fault *b,
                            const char *first)
{
    const int files = strcmp(a->file, b->file);
    if (files != 0) {
        if (strcmp(a->file, first) == 0)
            return true;
        return strcmp(b->file, first) != 0 && files < 0;
    }
    return a->line != b->line ? a->line < b->line : a->column < b->column;
}

void faults_sort(struct plan_faults *faults, const char *first)
{
    for (int i = 1; i < faults->n; i++)
        for (int j = i; j > 0 && fault_is_before(&faults->fault[j], &faults->fault[j - 1], first);
             j--) {
            const struct plan_fault swap = faults->fault[j];
            faults->fault[j] = faults->fault[j - 1];
            faults->fault[j - 1] = swap;
        }
    int kept = 0;
    for (int i = 0; i < faults->n; i++) {
        const struct plan_fault *now = &faults->fault[i],
                                *last = &faults->fault[kept > 0 ? kept - 1 : 0];
        if (kept > 0 && now->line == last->line && now->column == last->column &&
            strcmp(now->file, last->file) == 0 && strcmp(now->text, last->text) == 0)
            continue;
        if (kept != i)
            faults->fault[kept] = *now;
        kept++;
    }
    faults->n = kept;
}

size_t plan_fault_to_text(const struct plan_fault *fault, char *into, size_t room)
{
    int n;
    if (fault->line > 0)
        n = snprintf(into, room, "%s:%d:%d: %s", fault->file, fault->line, fault->column,
                     fault->text);
    else if (fault->file[0])
        n = snprintf(into, room, "%s: %s", fault->file, fault->text);
    else /* a name that the command line states */
        n = snprintf(into, room, "%s", fault->text);
    if (n < 0 || room == 0)
        return 0;
    return (size_t)n < room ? (size_t)n : room - 1;
}
