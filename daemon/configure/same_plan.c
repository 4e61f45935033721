/* SPDX-License-Identifier: Apache-2.0
 *
 * same_plan.c - whether a line, or a well's measuring, is asked for alike in two plans, so that
 * what serves it may go on over a reload. Pure.
 *
 * Stanzas are compared by the canonical text: all that a plan says stands there with its defaults
 * filled in, a stanza a block, so a key that is added later can't be forgotten here.
 */
#include "uphole/plan.h"

#include <stdio.h>
#include <string.h>

/** A run of whole lines of a canonical text. */
struct stretch {
    const char *at;
    size_t n;
};

static struct stretch line_at(struct stretch rest)
{
    const char *end = memchr(rest.at, '\n', rest.n);
    return (struct stretch){rest.at, end == NULL ? rest.n : (size_t)(end - rest.at) + 1};
}

static size_t indent_of(struct stretch line)
{
    size_t n = 0;
    while (n < line.n && line.at[n] == ' ')
        n++;
    return n;
}

/** The block below `key:` at this indent, or nothing: the lines that stand deeper. */
static struct stretch block_of(struct stretch text, size_t indent, const char *key)
{
    const size_t length = strlen(key);
    struct stretch rest = text, block = {NULL, 0};
    while (rest.n > 0) {
        const struct stretch line = line_at(rest);
        rest = (struct stretch){rest.at + line.n, rest.n - line.n};
        if (block.at != NULL) {
            if (indent_of(line) <= indent)
                break;
            block.n += line.n;
        } else if (indent_of(line) == indent && line.n == indent + length + 2 &&
                   memcmp(line.at + indent, key, length) == 0 && line.at[line.n - 2] == ':') {
            block.at = rest.at;
        }
    }
    return block;
}

static struct stretch stanza_of(const struct plan *plan, const char *section, const char *name)
{
    const struct stretch all = {plan->text, plan->text_length};
    return block_of(block_of(all, 0, section), 2, name);
}

static bool are_equal(struct stretch a, struct stretch b)
{
    return a.at != NULL && b.at != NULL && a.n == b.n && memcmp(a.at, b.at, a.n) == 0;
}

static bool stanza_is_same(const struct plan *a, const struct plan *b, const char *section,
                           const char *name)
{
    return are_equal(stanza_of(a, section, name), stanza_of(b, section, name));
}

/** All entries of a source as text. */
static struct stretch source_of(const struct plan *plan, const char *well, uint8_t source)
{
    return block_of(block_of(stanza_of(plan, "wells", well), 4, "sources"), 6, source_name(source));
}

/** The maps of the entries of a source; `entries` are of `a`. */
static bool maps_are_same(const struct plan *a, const struct plan *b, const struct well_plan *well,
                          uint8_t source)
{
    for (uint16_t i = 0; i < well->n_entries[source]; i++)
        if (!stanza_is_same(a, b, "maps", a->maps[well->entries[source][i].map].name))
            return false;
    return true;
}

static bool is_on_line(const struct plan *plan, const struct well_plan *well, uint8_t source,
                       const char *line)
{
    for (uint16_t i = 0; i < well->n_entries[source]; i++)
        if (strcmp(plan->lines[well->entries[source][i].line].name, line) == 0)
            return true;
    return false;
}

/** Every source that stands on the line in `a` is the same in `b`. */
static bool sources_are_kept(const struct plan *a, const struct plan *b, const char *line)
{
    for (uint16_t w = 0; w < a->n_wells; w++)
        for (uint8_t s = SOURCE_NONE + 1; s < SOURCE_KINDS; s++) {
            const struct well_plan *well = &a->wells[w];
            if (is_on_line(a, well, s, line) &&
                (!are_equal(source_of(a, well->id, s), source_of(b, well->id, s)) ||
                 !maps_are_same(a, b, well, s)))
                return false;
        }
    return true;
}

bool plan_line_is_same(const struct plan *a, const struct plan *b, const char *line)
{
    return stanza_is_same(a, b, "lines", line) && sources_are_kept(a, b, line) &&
           sources_are_kept(b, a, line);
}

/** Lines that say nothing about how the well is measured. */
static bool is_beside_measuring(struct stretch line)
{
    static const char *const KEYS[] = {"    label: ", "    table_block: "};
    for (size_t i = 0; i < sizeof KEYS / sizeof *KEYS; i++)
        if (line.n > strlen(KEYS[i]) && memcmp(line.at, KEYS[i], strlen(KEYS[i])) == 0)
            return true;
    return false;
}

static struct stretch next_that_measures(struct stretch *rest)
{
    struct stretch line = {NULL, 0};
    while (rest->n > 0) {
        line = line_at(*rest);
        *rest = (struct stretch){rest->at + line.n, rest->n - line.n};
        if (!is_beside_measuring(line))
            return line;
    }
    return (struct stretch){NULL, 0};
}

static bool well_text_is_same(struct stretch a, struct stretch b)
{
    if (a.at == NULL || b.at == NULL)
        return false;
    for (;;) { /* bounded: each turn takes a line of both */
        const struct stretch x = next_that_measures(&a), y = next_that_measures(&b);
        if (x.at == NULL || y.at == NULL)
            return x.at == y.at;
        if (!are_equal(x, y))
            return false;
    }
}

bool plan_well_is_same(const struct plan *a, const struct plan *b, const char *well_id)
{
    const struct well_plan *well = plan_well_by_id(a, well_id);
    if (well == NULL ||
        !well_text_is_same(stanza_of(a, "wells", well_id), stanza_of(b, "wells", well_id)))
        return false;
    for (uint8_t s = SOURCE_NONE + 1; s < SOURCE_KINDS; s++) {
        if (!maps_are_same(a, b, well, s))
            return false;
        for (uint16_t i = 0; i < well->n_entries[s]; i++)
            if (!stanza_is_same(a, b, "lines", a->lines[well->entries[s][i].line].name))
                return false;
    }
    return true;
}

bool plan_source_is_same(const struct plan *a, const struct plan *b, const char *well_id,
                         uint8_t source)
{
    const struct well_plan *well = plan_well_by_id(a, well_id);
    if (well == NULL || source == SOURCE_NONE || source >= SOURCE_KINDS ||
        !are_equal(source_of(a, well_id, source), source_of(b, well_id, source)) ||
        !maps_are_same(a, b, well, source))
        return false;
    for (uint16_t i = 0; i < well->n_entries[source]; i++)
        if (!stanza_is_same(a, b, "lines", a->lines[well->entries[source][i].line].name))
            return false;
    return true;
}

bool plan_needs_restart(const struct plan *running, const struct plan *asked, char *why,
                        size_t room)
{
    const char *what = NULL;
    why[0] = '\0';
    if (strcmp(running->site, asked->site) != 0)
        what = "site";
    else if (strcmp(running->box, asked->box) != 0)
        what = "box";
    else if (strcmp(running->journal.path, asked->journal.path) != 0)
        what = "path of the journal";
    if (what != NULL) {
        snprintf(why, room, "another %s", what);
        return true;
    }
    for (uint16_t w = 0; w < running->n_wells; w++)
        if (plan_well_by_id(asked, running->wells[w].id) == NULL) {
            snprintf(why, room, "well %s removed or renamed", running->wells[w].id);
            return true;
        }
    return false;
}
