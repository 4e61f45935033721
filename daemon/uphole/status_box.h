/* SPDX-License-Identifier: Apache-2.0
 *
 * status_box.h - what `status` measures of the box itself, when it is asked: bytes written, memory,
 * versions. Read from /proc, which never waits.
 */
#ifndef UPHOLE_STATUS_BOX_H
#define UPHOLE_STATUS_BOX_H

#include "status_view.h"

#define STATUS_RATE_AFTER_MS INT64_C(600000) /* a day is not reckoned from less */
#define STATUS_VERSION_MAX 72

/** What the well side has really sent to storage since it started: pages of journal and WAL. */
struct status_written {
    bool known;
    uint64_t bytes;
    int64_t ms; /* within so long */
};
void status_written(int64_t now_boot_ms, struct status_written *out);
/** Bytes a day by what came within `ms`; NaN where that is too short a time. */
double status_bytes_a_day(int64_t bytes, int64_t ms);
/** Resident memory that is a process's own (RssAnon), bytes; 0 where it can't be read. */
uint64_t status_memory_of(pid_t pid);

struct status_versions {
    char sqlite[STATUS_VERSION_MAX], libmodbus[STATUS_VERSION_MAX],
        libmosquitto[STATUS_VERSION_MAX], kernel[STATUS_VERSION_MAX];
};
/** Of what is loaded, not of what it was built with. */
void status_versions(struct status_versions *out);

/* The parts of `status` that are about lines and box. */
void status_lines_as_text(const struct status_view *view, const struct stamp *now,
                          struct socket_text *text);
void status_box_as_text(const struct status_view *view, const struct stamp *now,
                        struct socket_text *text);
/** `"lines":[...]`. */
void status_lines_as_json(const struct status_view *view, const struct stamp *now,
                          struct socket_text *text);
/** `"journal":{...}` and what follows it. */
void status_box_as_json(const struct status_view *view, const struct stamp *now,
                        struct socket_text *text);

#endif
