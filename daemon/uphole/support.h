/* SPDX-License-Identifier: Apache-2.0
 *
 * support.h - what the files of `uphole support` share: the question, and the parts of the file.
 *
 * Nothing in it comes from a file of secrets: the configuration is the canonical text of the
 * journal, in which only their paths stand.
 */
#ifndef UPHOLE_SUPPORT_H
#define UPHOLE_SUPPORT_H

#include "socket_ask.h"
#include "support_tar.h"

#include "uphole/journal.h"

#define SUPPORT_MISSING_MAX 160

struct support {
    struct socket_asked asked;
    const char *into;
    int64_t from_utc_ms, to_utc_ms, last_ms;
    uint64_t at_most; /* bytes */
    struct journal_reader *reader;
    struct plan *plan; /* the journal's newest; its wells are numbered */
    char *plan_text;
    size_t plan_length;
    uint32_t plan_id;
    char digest[65];
    struct tar tar;
    bool running;                           /* a daemon answered */
    char missing[SUPPORT_MISSING_MAX][320]; /* what is not in it, and why: a sentence each */
    size_t n_missing;
    struct scan *scans; /* JOURNAL_SLICE_MAX */
    char *line;         /* SUPPORT_LINE_MAX */
};
#define SUPPORT_LINE_MAX (64 * 1024)

/** A sentence for the README: something is not in the file, or was cut. */
__attribute__((format(printf, 2, 3))) void support_misses(struct support *support,
                                                          const char *format, ...);
/* support_parts.c: a member or more each. UP_E_DISK where the journal can't be read. */
UP_MUST enum up_rc support_put_plans(struct support *support, struct up_error *error);
UP_MUST enum up_rc support_put_gaps(struct support *support, struct up_error *error);
UP_MUST enum up_rc support_put_events(struct support *support, struct up_error *error);
UP_MUST enum up_rc support_put_cursors(struct support *support, struct up_error *error);
UP_MUST enum up_rc support_put_scans(struct support *support, struct up_error *error);
void support_put_running(struct support *support);
void support_put_versions(struct support *support);

#endif
