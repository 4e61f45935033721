/* SPDX-License-Identifier: Apache-2.0
 *
 * ranges.c - from the registers that a map needs to few reads whose answers can't be mistaken for
 * each other (pure).
 *
 *   needs      16 17 . . 20 21 . . . . . . . . . . . . 40       one item each, a channel of two
 * registers is one item segments  [16 . . . . 21]                         [40]      least wire
 * time: a hole of h registers costs 2h characters lengths    6 1        pairwise different a
 * function, else one is padded or split
 *
 * Invariant: every item lies whole in one range, and no range touches a forbidden register.
 */
#include "ranges.h"

#include "needs.h"

#include <stdio.h>
#include <string.h>

#define PROBE_TURNS 2 /* the time-out, and the rest of the same length after it */

/* ---- wire time ---- */

/* Unrounded, so that a hole of exactly the break-even size (10 registers up to 19,200 bit/s) is
 * decided by arithmetic and not by a rounded microsecond. t3.5 is 3.5 characters, 1,750 us above
 * 19,200 bit/s: Modbus over Serial Line V1.02, 2.5.1.1. */
static double wire_us(const struct line_plan *line, int count)
{
    if (!line_speaks_rtu(line) || line->baud == 0)
        return 0;
    double character_us = 1e6 * line_bits_per_character(line) / line->baud;
    double quiet_us = line->baud > 19200 ? 1750 : 3.5 * character_us;
    return (13 + 2.0 * count) * character_us + 2 * quiet_us;
}

int64_t exchange_wire_us(const struct line_plan *line, unsigned count, int64_t reply_delay_us)
{
    return (int64_t)(wire_us(line, (int)count) + 0.5) + reply_delay_us;
}

static int words_of(const struct read_request *request)
{
    return request->function <= TABLE_DISCRETE ? (request->count + 15) / 16 : request->count;
}

int64_t read_plan_wire_us(const struct read_plan *reads, const struct line_plan *line,
                          int64_t reply_delay_us)
{
    int64_t sum_us = 0;
    for (unsigned i = 0; i < reads->n; i++)
        sum_us +=
            exchange_wire_us(line, (unsigned)words_of(&reads->range[i].request), reply_delay_us);
    return sum_us;
}

/** The longest scan of one source of this line among its dated entries. */
static int64_t longest_scan_us(const struct plan *plan, const struct well_plan *well,
                               unsigned source, uint16_t line)
{
    int64_t longest_us = 0;
    for (unsigned i = 0; i < well->n_entries[source]; i++) {
        const struct source_entry *entry = &well->entries[source][i];
        struct read_plan reads;
        if (entry->line != line ||
            read_plan_make(&plan->maps[entry->map], &plan->lines[line], &reads, NULL) != UP_OK)
            continue;
        int64_t us = read_plan_wire_us(&reads, &plan->lines[line], 0);
        if (us > longest_us)
            longest_us = us;
    }
    return longest_us;
}

int64_t line_round_us(const struct plan *plan, uint16_t line)
{
    int64_t sum_us = 0;
    for (unsigned w = 0; w < plan->n_wells; w++)
        for (unsigned s = SOURCE_NONE + 1; s < SOURCE_KINDS; s++)
            sum_us += longest_scan_us(plan, &plan->wells[w], s, line);
    return sum_us + PROBE_TURNS * (int64_t)plan->lines[line].response_timeout_ms * 1000;
}

/* ---- segments of least wire time ---- */

static bool hole_may_be_read(const struct needs *needs, const struct item *left,
                             const struct item *right)
{
    for (int address = left->last + 1; address < right->first; address++)
        if (needs_is_forbidden(needs, left->table, address))
            return false;
    return true;
}

/**
 * Cuts the items into ranges so that the sum of T(N) is least; of equal sums the one with fewer
 * ranges. `dearer_us` is added to each exchange where the ranges would be too many. Writes the
 * first item of each range to `starts`; returns their number.
 */
static unsigned cut(const struct needs *needs, const struct line_plan *line, double dearer_us,
                    int starts[ITEMS_MAX])
{
    double best_us[ITEMS_MAX + 1] = {0};
    int from[ITEMS_MAX + 1] = {0};
    for (int end = 0; end < (int)needs->n; end++) {
        best_us[end + 1] = -1;
        for (int start = end; start >= 0; start--) {
            const struct item *a = &needs->item[start], *z = &needs->item[end];
            int count = z->last - a->first + 1;
            bool is_first = start == end;
            if (!is_first &&
                (a->table != z->table || count > needs_largest_read(needs->map, a->table) ||
                 !hole_may_be_read(needs, a, a + 1)))
                break;
            double us =
                best_us[start] + wire_us(line, table_words_for(a->table, count)) + dearer_us;
            if (is_first || us <= best_us[end + 1] + 0.001) {
                best_us[end + 1] = us;
                from[end + 1] = start;
            }
        }
    }
    unsigned n = 0;
    for (int end = (int)needs->n; end > 0; end = from[end])
        starts[n++] = from[end];
    for (unsigned i = 0; i < n / 2; i++) {
        int swap = starts[i];
        starts[i] = starts[n - 1 - i];
        starts[n - 1 - i] = swap;
    }
    return n;
}

static bool holds_status(const struct map *map, const struct piece *piece)
{
    return map->has_status && piece->table == map->status_table &&
           map->status_address >= piece->first && map->status_address <= piece->last;
}

/** Adds the status read last where there are other ranges. It is the status register alone, and
 * grows like any other. */
static void add_status_again(struct pieces *pieces, const struct needs *needs)
{
    const struct map *map = needs->map;
    if (!map->has_status || pieces->n < 2)
        return;
    for (unsigned i = 0; i < pieces->n; i++) {
        if (!holds_status(map, &pieces->piece[i]))
            continue;
        struct piece *again = &pieces->piece[pieces->n++];
        *again = pieces->piece[i];
        again->is_status_again = true;
        again->first = again->last = map->status_address;
        return;
    }
}

/* ---- the plan ---- */

static bool reads_unneeded(const struct needs *needs, const struct piece *piece)
{
    for (int address = piece->first; address <= piece->last; address++)
        if (!needs_is_item(needs, piece->table, address))
            return true;
    return false;
}

static void write_range(struct read_plan *out, const struct needs *needs, const struct piece *piece,
                        bool is_status)
{
    out->range[out->n++] =
        (struct read_range){.request = {.function = piece->table,
                                        .first = (uint16_t)piece->first,
                                        .count = (uint16_t)(piece->last - piece->first + 1)},
                            .is_status = is_status,
                            .is_status_again = piece->is_status_again,
                            .stands_alone = piece->alone,
                            .may_split = reads_unneeded(needs, piece)};
}

/** Status first, then by table and address, status again last. */
static void write_plan(struct read_plan *out, const struct needs *needs,
                       const struct pieces *pieces)
{
    memset(out, 0, sizeof *out);
    int status = -1;
    for (unsigned i = 0; i < pieces->n && status < 0; i++) {
        struct piece natural;
        piece_set(&natural, needs, pieces->piece[i].first_item, pieces->piece[i].last_item);
        if (!pieces->piece[i].is_status_again && holds_status(needs->map, &natural))
            status = (int)i;
    }
    if (status >= 0)
        write_range(out, needs, &pieces->piece[status], true);
    for (unsigned i = 0; i < pieces->n; i++)
        if ((int)i != status)
            write_range(out, needs, &pieces->piece[i], false);
}

static enum up_rc check_items(const struct needs *needs, struct up_error *error)
{
    const struct map *map = needs->map;
    if (needs->n == 0)
        return UP_FAIL(error, UP_E_CONFIG,
                       "map %s has no channel to read; add one under `channels:`", map->name);
    for (unsigned i = 0; i < needs->n; i++) {
        const struct item *item = &needs->item[i];
        int count = item->last - item->first + 1;
        if (item->table < TABLE_COIL || item->table > TABLE_INPUT || item->last > 65535)
            return UP_FAIL(
                error, UP_E_CONFIG,
                "map %s: register %d of table %u does not exist; addresses go from 0 to 65535",
                map->name, item->last, item->table);
        if (count > needs_largest_read(map, item->table))
            return UP_FAIL(
                error, UP_E_CONFIG,
                "map %s: registers %d to %d belong together, but largest_read is %u; raise it or "
                "correct the channels",
                map->name, item->first, item->last, map->largest_read);
    }
    return UP_OK;
}

static enum up_rc cut_to_pieces(const struct needs *needs, const struct line_plan *line,
                                struct pieces *pieces, struct up_error *error)
{
    int starts[ITEMS_MAX];
    unsigned most = SCAN_BLOCKS_MAX - (needs->map->has_status ? 1 : 0);
    double dearer_us = 0;
    unsigned n = cut(needs, line, dearer_us, starts);
    for (dearer_us = 100; n > most && dearer_us < 1e8; dearer_us *= 2)
        n = cut(needs, line, dearer_us, starts);
    if (n > most)
        return UP_FAIL(
            error, UP_E_CONFIG,
            "map %s needs %u reads a scan, at most %u are possible; state `readable` ranges, "
            "a larger largest_read, or fewer channels",
            needs->map->name, n, most);
    pieces->n = n;
    for (unsigned i = 0; i < n; i++)
        piece_set(&pieces->piece[i], needs, starts[i],
                  (i + 1 < n ? starts[i + 1] : (int)needs->n) - 1);
    return UP_OK;
}

enum up_rc read_plan_make_avoiding(const struct map *map, const struct line_plan *line,
                                   const struct register_range *avoid, unsigned n_avoid,
                                   struct read_plan *out, struct up_error *error)
{
    struct needs needs = {.avoid = avoid, .n_avoid = n_avoid};
    struct pieces natural = {0};
    needs_collect(&needs, map);
    enum up_rc rc = check_items(&needs, error);
    if (rc == UP_OK)
        rc = cut_to_pieces(&needs, line, &natural, error);
    if (rc != UP_OK)
        return rc;
    add_status_again(&natural, &needs);
    /* On TCP the transaction number tells answers apart; padding costs nothing there, another
     * exchange would. */
    bool is_rtu = line_speaks_rtu(line);
    struct pieces spread;
    pieces_spread(&natural, &spread, &needs, is_rtu);
    int words = 0;
    for (unsigned i = 0; i < spread.n; i++)
        words += table_words_for(spread.piece[i].table,
                                 spread.piece[i].last - spread.piece[i].first + 1);
    if (words > SCAN_WORDS_MAX)
        return UP_FAIL(
            error, UP_E_CONFIG,
            "map %s reads %d registers a scan, at most %d are possible; use fewer channels",
            map->name, words, SCAN_WORDS_MAX);
    write_plan(out, &needs, &spread);
    for (unsigned i = 0; i < out->n && !is_rtu; i++)
        out->range[i].stands_alone = false;
    return UP_OK;
}

enum up_rc read_plan_make(const struct map *map, const struct line_plan *line,
                          struct read_plan *out, struct up_error *error)
{
    return read_plan_make_avoiding(map, line, NULL, 0, out, error);
}

void read_plan_name_unneeded(const struct map *map, const struct read_request *request, char *into,
                             size_t room)
{
    struct needs needs = {0};
    needs_collect(&needs, map);
    size_t length = 0;
    into[0] = '\0';
    for (int address = request->first; address < request->first + request->count; address++) {
        if (needs_is_item(&needs, request->function, address))
            continue;
        int last = address;
        while (last + 1 < request->first + request->count &&
               !needs_is_item(&needs, request->function, last + 1))
            last++;
        const char *joint = length > 0 ? ", " : "";
        int n = last > address
                    ? snprintf(into + length, room - length, "%s%d to %d", joint, address, last)
                    : snprintf(into + length, room - length, "%s%d", joint, address);
        if (n < 0 || (size_t)n >= room - length)
            return; /* cut text is still a sentence's part */
        length += (size_t)n;
        address = last;
    }
}
