/* SPDX-License-Identifier: Apache-2.0
 *
 * socket_answer.h - what is answered to which question at the local socket.
 */
#ifndef UPHOLE_SOCKET_ANSWER_H
#define UPHOLE_SOCKET_ANSWER_H

#include "socket_text.h"
#include "status_view.h"

/** Answers `request` (NAME FORMAT [WELL], no line feed) into `text`; returns 0, or a code of
 * sysexits.h with a sentence in `text`. What came is untrusted. */
int socket_answer(const struct status_view *view, const char *request, struct socket_text *text);

/* The answers, each into an empty text. */
void status_as_text(const struct status_view *view, struct socket_text *text);
void status_as_json(const struct status_view *view, struct socket_text *text);
/** A line each: name, and `free` (its port is closed by a hold), `held` (it will be) or `polled`.
 */
void held_as_text(const struct status_view *view, struct socket_text *text);
void read_as_text(const struct status_view *view, uint16_t well, struct socket_text *text);
/** The same with each channel's standard uncertainty behind its quality. */
void read_with_uncertainty(const struct status_view *view, uint16_t well, struct socket_text *text);
void read_as_json(const struct status_view *view, uint16_t well, struct socket_text *text);
/** For a terminal that shows it again each second: states in sentences, then one row a channel. */
void watch_as_text(const struct status_view *view, uint16_t well, struct socket_text *text);
/** All in one line, for a watch that no terminal shows. */
void line_as_text(const struct status_view *view, uint16_t well, struct socket_text *text);
/** confirm_answer.c: what is confirmed of the well's units, by whom, tied to what, and what ended. */
void confirmed_as_text(const struct status_view *view, uint16_t well, struct socket_text *text);
void confirmed_as_json(const struct status_view *view, uint16_t well, struct socket_text *text);
/** Raw registers of the newest scan of each source, for programs; see socket_scans.c. */
void scans_as_text(const struct status_view *view, uint16_t well, struct socket_text *text);
/** A slice of the plan's canonical text; `words` is what stands behind `plan `, untrusted. Returns 0 or a code of sysexits.h with a
 * sentence in `text`. */
int plan_answer(const struct status_view *view, const char *words, struct socket_text *text);
/** What the unit-setting registers say, where a map says what they mean; false: nothing was added. */
bool status_setting_lines(const struct status_view *view, uint16_t well, const struct stamp *now, struct socket_text *text);
/** The four stages of one well in sentences, each line indented by two. `brief`: the channels in
 * one line, so that what follows keeps its place on a screen. */
void status_well_stages(const struct status_view *view, uint16_t well, const struct stamp *now,
                        const struct snapshot *snapshot, bool brief, struct socket_text *text);
/** Values of more than one register in all four orders of words and bytes; nothing where there are
 * none. */
void orders_as_text(const struct status_view *view, uint16_t well, const struct stamp *now,
                    struct socket_text *text);
/** `,"orders":{...}` of one channel, or nothing. */
void orders_as_json(const struct channel *channel, const uint16_t *words, struct socket_text *text);

#endif
