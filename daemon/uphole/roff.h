/* SPDX-License-Identifier: Apache-2.0
 *
 * roff.h - turns the texts that the program prints anyway (help of commands, references of keys)
 * into the man macros of roff, so that manual pages can't say anything else. Pure but for the
 * stream.
 */
#ifndef UPHOLE_ROFF_H
#define UPHOLE_ROFF_H

#include <stdio.h>

/** The page's first lines: title, section, version. */
void roff_begin(FILE *out, const char *title, int section, const char *version);
/** A heading (`.SH`) or one below it (`.SS`). */
void roff_heading(FILE *out, const char *macro, const char *text);
/** Text of any number of lines as a filled paragraph; `code` between backticks becomes bold. */
void roff_paragraph(FILE *out, const char *text);
/** A term and what it means. */
void roff_term(FILE *out, const char *term, const char *meaning);
/**
 * The help of a command: lines that begin with two blanks are options (term, two blanks or more,
 * meaning), examples where they begin with the program's name; all others are paragraphs.
 */
void roff_help(FILE *out, const char *help);
/** Markdown of the references: headings, lists, tables of four columns (key, value, default,
 * meaning), paragraphs. The first heading is left out. */
void roff_reference(FILE *out, const char *markdown);

/** One option out of a help text. */
struct help_option {
    char name[32];  /* with its dashes */
    char value[32]; /* "FILE", "DIRECTORY", ...; "" where it takes none */
};
/** Options of a help text, each once; returns their number, at most `room`. */
size_t help_options(const char *help, struct help_option *into, size_t room);

#endif
