/* SPDX-License-Identifier: Apache-2.0
 *
 * roff.c - see roff.h. Macros: man(7).
 */
#include "roff.h"

#include <ctype.h>
#include <stdbool.h>
#include <string.h>

/* ---- text ---- */

/** Text inside a line. A line that begins with a control character would be taken for a macro. */
static void put_text(FILE *out, const char *text, size_t n, bool is_code)
{
    bool bold = false;
    if (n > 0 && (text[0] == '.' || text[0] == '\''))
        fputs("\\&", out);
    for (size_t i = 0; i < n; i++) {
        const char c = text[i];
        if (c == '\\')
            fputs("\\e", out);
        else if (c == '`') {
            fputs(bold ? "\\fR" : "\\fB", out);
            bold = !bold;
        } else if (c == '-' && (is_code || bold || (i + 1 < n && text[i + 1] == '-') ||
                                (i > 0 && text[i - 1] == '-')))
            fputs("\\-", out);
        else if (c == '^' || c == '~')
            fputs(c == '^' ? "\\(ha" : "\\(ti", out);
        else
            fputc(c, out);
    }
    if (bold)
        fputs("\\fR", out);
}

static size_t line_length(const char *text)
{
    return strcspn(text, "\n");
}

static const char *next_line(const char *text)
{
    const size_t n = line_length(text);
    return text[n] == '\n' ? text + n + 1 : text + n;
}

static void put_line(FILE *out, const char *text, size_t n)
{
    put_text(out, text, n, false);
    fputc('\n', out);
}

void roff_begin(FILE *out, const char *title, int section, const char *version)
{
    fputs(".\\\" Printed by `uphole manual`; changes belong into the program's tables.\n", out);
    fprintf(out, ".TH %s %d \"\" \"uphole %s\" \"Uphole\"\n.nh\n.ad l\n", title, section, version);
}

void roff_heading(FILE *out, const char *macro, const char *text)
{
    fprintf(out, ".%s \"", macro);
    for (; *text != '\0'; text++) {
        if (*text == '"')
            fputs("\\(dq", out);
        else if (*text != '`')
            put_text(out, text, 1, true);
    }
    fputs("\"\n", out);
}

void roff_paragraph(FILE *out, const char *text)
{
    fputs(".PP\n", out);
    for (; *text != '\0'; text = next_line(text))
        put_line(out, text, line_length(text));
}

static void put_term(FILE *out, const char *term, size_t n)
{
    fputs(".TP\n\\fB", out);
    put_text(out, term, n, true);
    fputs("\\fR\n", out);
}

void roff_term(FILE *out, const char *term, const char *meaning)
{
    put_term(out, term, strlen(term));
    put_line(out, meaning, strlen(meaning));
}

/* ---- help ---- */

static bool begins(const char *text, const char *with)
{
    return strncmp(text, with, strlen(with)) == 0;
}

/** Length of what stands before two blanks, or of the whole line. */
static size_t term_length(const char *text, size_t n)
{
    for (size_t i = 0; i + 1 < n; i++)
        if (text[i] == ' ' && text[i + 1] == ' ')
            return i;
    return n;
}

static void put_option(FILE *out, const char *text, size_t n)
{
    const size_t term = term_length(text, n);
    size_t meaning = term;
    while (meaning < n && text[meaning] == ' ')
        meaning++;
    put_term(out, text, term);
    if (meaning < n)
        put_line(out, text + meaning, n - meaning);
}

static const char *put_examples(FILE *out, const char *text)
{
    fputs(".PP\n.nf\n", out);
    for (; begins(text, "  uphole "); text = next_line(text)) {
        put_text(out, text, line_length(text), true);
        fputc('\n', out);
    }
    fputs(".fi\n", out);
    return text;
}

void roff_help(FILE *out, const char *help)
{
    bool in_paragraph = false;
    while (*help != '\0') {
        const size_t n = line_length(help);
        if (begins(help, "  uphole ")) {
            help = put_examples(out, help);
            in_paragraph = false;
            continue;
        }
        if (n > 2 && begins(help, "  ") && help[2] != ' ') {
            put_option(out, help + 2, n - 2);
        } else if (n == 0) {
            in_paragraph = false;
        } else {
            size_t blanks = strspn(help, " ");
            if (blanks == 0 && !in_paragraph)
                fputs(".PP\n", out);
            in_paragraph = true;
            put_line(out, help + blanks, n - blanks);
        }
        help = next_line(help);
    }
}

static size_t word_length(const char *text, size_t n)
{
    size_t i = 0;
    while (i < n && (isalnum((unsigned char)text[i]) || text[i] == '-' || text[i] == '_'))
        i++;
    return i;
}

static bool is_known(const struct help_option *options, size_t n, const char *name)
{
    for (size_t i = 0; i < n; i++)
        if (strcmp(options[i].name, name) == 0)
            return true;
    return false;
}

size_t help_options(const char *help, struct help_option *into, size_t room)
{
    size_t found = 0;
    for (; *help != '\0'; help = next_line(help)) {
        if (!begins(help, "  --"))
            continue;
        const char *head = help + 2;
        const size_t n = term_length(head, line_length(help) - 2);
        for (size_t i = 0; i + 2 < n && found < room; i++) {
            if (!begins(head + i, "--") || (i > 0 && head[i - 1] != ' '))
                continue;
            const size_t name = word_length(head + i, n - i);
            size_t value = i + name;
            const bool takes = value < n && head[value] == ' ' && head[value + 1] != '-';
            struct help_option *option = &into[found];
            snprintf(option->name, sizeof option->name, "%.*s", (int)name, head + i);
            snprintf(option->value, sizeof option->value, "%.*s",
                     takes ? (int)word_length(head + value + 1, n - value - 1) : 0,
                     head + value + (takes ? 1 : 0));
            found += !is_known(into, found, option->name);
            i = value;
        }
    }
    return found;
}

/* ---- references ---- */

/** One of four cells of a row; cells are parted by " | ". */
static const char *cell(const char *row, size_t n, unsigned which, size_t *length)
{
    const char *at = row + 2, *end = row + n;
    for (;; which--) {
        const char *bar = at;
        while (bar < end && !(bar[0] == ' ' && bar + 1 < end && bar[1] == '|'))
            bar++;
        *length = (size_t)(bar - at);
        if (which == 0 || bar >= end)
            return at;
        at = bar + 3 < end ? bar + 3 : end;
    }
}

static void put_row(FILE *out, const char *row, size_t n)
{
    size_t length;
    const char *key = cell(row, n, 0, &length);
    if (begins(row, "|---") || (length == 3 && begins(key, "key")))
        return;
    fputs(".TP\n", out);
    put_text(out, key, length, false);
    fputs(": \\fI", out);
    const char *value = cell(row, n, 1, &length);
    put_text(out, value, length, true);
    fputs("\\fR", out);
    const char *fallback = cell(row, n, 2, &length);
    if (length == 8 && begins(fallback, "required")) {
        fputs(" (required)", out);
    } else if (length != 1 || fallback[0] != '-') {
        fputs(" (default: ", out);
        put_text(out, fallback, length, true);
        fputc(')', out);
    }
    fputc('\n', out);
    const char *meaning = cell(row, n, 3, &length);
    put_line(out, meaning, length);
}

void roff_reference(FILE *out, const char *markdown)
{
    bool in_paragraph = false;
    for (; *markdown != '\0'; markdown = next_line(markdown)) {
        const size_t n = line_length(markdown);
        const bool goes_on = in_paragraph;
        in_paragraph = false;
        if (n == 0 || begins(markdown, "# ")) {
            continue;
        } else if (begins(markdown, "### ")) {
            char heading[96];
            snprintf(heading, sizeof heading, "%.*s", (int)(n - 4), markdown + 4);
            roff_heading(out, "SS", heading);
        } else if (markdown[0] == '|') {
            put_row(out, markdown, n);
        } else if (begins(markdown, "- ")) {
            fputs(".IP \\(bu 2\n", out);
            put_line(out, markdown + 2, n - 2);
            in_paragraph = true;
        } else {
            const size_t blanks = strspn(markdown, " ");
            if (!goes_on)
                fputs(".PP\n", out);
            put_line(out, markdown + blanks, n - blanks);
            in_paragraph = true;
        }
    }
}
