/* SPDX-License-Identifier: Apache-2.0
 *
 * view.h - rows and sealed blocks as one: the one way in which scans are read.
 *
 * Scans are handed to a visitor in the order of pos, over all wells or one, forward or back. Each
 * slice is one read transaction of at most SLICE_ROWS rows and the blocks of one sealed range, and
 * none is open while a visitor runs, so a visitor may ask the journal whatever it likes, and scans
 * that are sealed meanwhile come once: whatever lies behind the walk has been visited.
 *
 * Unpacked blocks of the range under way are kept, a range for each well whose walk is under way, so
 * that slices within it unpack nothing anew, also where walks of several wells take turns.
 * Nothing that is damaged reaches a visitor as sound: a damaged row comes as such or not at all, a
 * damaged block is stepped over, and both are noted.
 */
#ifndef UPHOLE_JOURNAL_VIEW_H
#define UPHOLE_JOURNAL_VIEW_H

#include "sealed.h"

#define VIEW_BUFFER JOURNAL_SLICE_MAX
#define VIEW_BLOCKS_MAX                                                                            \
    1024 /* of one sealed range: pairs of well and source, and what didn't fit in one block */
#define VIEW_DAMAGES_MAX 8

struct scan_view;
/** On `store`, which outlives it. A journal of schema 1 has no blocks. */
UP_MUST enum up_rc view_open(struct store *store, struct scan_view **out, struct up_error *error);
void view_close(struct scan_view *view); /* NULL is fine; before the store is closed */

/** Which scans: after < pos <= up_to. */
struct view_want {
    uint64_t after, up_to;
    uint16_t well;  /* 0: all */
    uint8_t source; /* 0: all */
    bool heads;     /* words and ranges aren't needed: n_blocks is 0 */
    bool damaged;   /* rows whose check fails come too */
    size_t about;   /* how many the visitor is likely to take; 0: many */
};
/** `holds` false: a row whose check fails; it has no blocks. The visitor returns false when it has
 * enough. */
typedef bool (*view_visit)(void *context, const struct scan *scan, bool holds);
UP_MUST enum up_rc view_forward(struct scan_view *view, const struct view_want *want,
                                view_visit visit, void *context, struct up_error *error);
/** The same, newest first. */
UP_MUST enum up_rc view_backward(struct scan_view *view, const struct view_want *want,
                                 view_visit visit, void *context, struct up_error *error);
/** The newest scan of a want (its head); pos 0: none. */
UP_MUST enum up_rc view_newest(struct scan_view *view, const struct view_want *want,
                               struct scan *scan, struct up_error *error);
/** Oldest and newest pos of all scans, 0 where there is none. From indexes alone. */
UP_MUST enum up_rc view_ends(struct scan_view *view, uint64_t *oldest, uint64_t *newest,
                             struct up_error *error);
/** Heads of whole blocks, instead of their scans: called with each block of the want that lies
 * wholly in (after, up_to]; true: it is done with, its scans are not visited. */
typedef bool (*view_visit_head)(void *context, const struct sealed_head *head);
void view_set_heads(struct scan_view *view, view_visit_head visit,
                    void *context); /* NULL: none; of the next walk forward */

/** What was found damaged since the last call: kind and number. False: nothing. */
bool view_take_damage(struct scan_view *view, struct journal_damage *damage);

#endif
