/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_check.h - the inside of `uphole loop-check`, shared by the loop_check_*.c files alone:
 * command (options, the order of things), ask (the keyboard), now (what Uphole reads), hear (what
 * the broker sends), served (what the table holds), channel, outage, file.
 *
 * Everything is one thread's. Wherever it waits, what the broker sends is taken meanwhile.
 */
#ifndef UPHOLE_LOOP_CHECK_H
#define UPHOLE_LOOP_CHECK_H

#include "gaps.h"
#include "socket_ask.h"

#include "uphole/gather.h"
#include "uphole/loop.h"
#include "uphole/read_back.h"

#include <signal.h>

#define LOOP_ROWS_KEPT 128
#define LOOP_GAPS_KEPT 64
#define LOOP_LINE_MAX 200
#define LOOP_HEAR_MS 20000  /* for a record of a scan that is journaled */
#define LOOP_FIRST_MS 10000 /* beyond one poll, for the first record of a session */
#define LOOP_ALONE_MS 65000 /* more, where nobody subscribed: the broker is tried each minute at least */
#define LOOP_OUTAGE_LEAST_MS 5000
#define LOOP_OUTAGE_USUAL_MS 120000

/** A row of a record message, as it was heard. */
struct heard_row {
    uint64_t run, seq;
    uint8_t source;
    uint16_t n;
    struct heard_value {
        uint16_t point;
        uint8_t quality;
        double value;
        char unit[16];
    } value[RECORD_READINGS_MAX];
};
struct heard_gap {
    uint64_t run, id;
    bool is_open;
};
/** What the broker sent since the session began. */
struct loop_hearing {
    struct read_back *session;            /* NULL: none */
    uint64_t n_rows, n_late;              /* ever */
    struct heard_row row[LOOP_ROWS_KEPT]; /* a ring: row n stands at n % LOOP_ROWS_KEPT */
    uint64_t run, seq;                    /* of the newest row; 0: none yet */
    bool has_hole;                        /* seq was missing since hear_begin_count */
    uint64_t from_seq;
    size_t n_gaps; /* ever; a ring as well */
    struct heard_gap gap[LOOP_GAPS_KEPT];
    int64_t offline_ms, online_ms; /* boot ms: when the box was last said to be away, to run */
    struct json_node *nodes;
};

/** What Uphole reads now (`read json`). */
struct loop_now {
    char *body;
    struct json_node *nodes;
    struct json_doc doc;
    uint64_t run, seq[SOURCE_KINDS];
    int64_t scan_utc_ms[SOURCE_KINDS];
};
/** One channel of it. */
struct loop_reading {
    uint16_t n_words, words[4];
    double value; /* NaN where its quality sends none */
    uint8_t quality;
};

struct loop_check {
    struct socket_asked asked;
    const char *directory, *destination, *table, *reader_user, *reader_password_file, *service;
    const char *by_option;
    bool without_mqtt, without_table, without_outages;
    unsigned view_id; /* 0: the first */
    int64_t outage_ms;
    struct up_clock clock;
    struct plan *plan;
    const struct well_plan *well;
    int mqtt, served; /* indices of destinations; -1: none */
    const struct view *view;
    struct line_plan table_line;
    struct port *port;
    uint16_t transaction;
    struct loop_record *record;
    struct loop_hearing hearing;
    char by[LOOP_BY_MAX], role[33];
    int lock_fd;
    char input[1024]; /* typed ahead */
    size_t input_n;
    bool input_ended;
};

extern volatile sig_atomic_t loop_is_stopped; /* by a signal; looked at wherever it waits */

/* ---- ask ---- */
enum asked_end { ASKED_LINE = 0, ASKED_STOP };
/** One line from the keyboard behind `prompt`, without blanks around it. ASKED_STOP: Ctrl-C,
 * Ctrl-D. */
enum asked_end loop_ask(struct loop_check *check, const char *prompt,
                        char into[static LOOP_LINE_MAX]);
/** Waits, and hears meanwhile. False: stopped. */
bool loop_wait(struct loop_check *check, int64_t ms);
/** What is no UTF-8 (a terminal of another character set, a text that was cut) becomes ?, a control character a blank. */
void loop_clean(char *text);
int64_t loop_utc_ms(const struct loop_check *check);
/** A sentence on standard output, broken at 100 columns, each line behind `indent` blanks. */
__attribute__((format(printf, 2, 3))) void loop_say(int indent, const char *format, ...);

/* ---- now ---- */
/** Asks the running Uphole; 0, or an exit code with `error` filled. loop_now_end frees it, also
 * after a failure. */
int loop_now_read(struct loop_check *check, struct loop_now *now, struct up_error *error);
void loop_now_end(struct loop_now *now);
bool loop_now_channel(const struct loop_now *now, unsigned point, struct loop_reading *out);
/** Gives an order; its sentence in `sentence`. 0 or an exit code, then `sentence` is the reason. */
int loop_order(struct loop_check *check, const char *order, char *sentence, size_t room);
/** Plan digest, run and version of the running Uphole; 0 or an exit code. */
struct loop_running {
    uint64_t run;
    char plan[65], version[24], versions[LOOP_TEXT_MAX], clock[24];
    uint32_t measure_version;
};
int loop_running_read(struct loop_check *check, struct loop_running *out, struct up_error *error);
/** Why records of the well wait at that destination, as `status` says; "" where they don't. */
void loop_wait_reason(struct loop_check *check, const char *destination, char *into, size_t room);
/** The newest scans of a source, oldest first; owned by the caller. */
unsigned loop_scans_read(struct loop_check *check, uint8_t source, struct scan *into,
                         unsigned most);

/* ---- hear ---- */
/** Opens the session, unless it stands. */
UP_MUST enum up_rc hear_open(struct loop_check *check, struct up_error *error);
void hear_close(struct loop_check *check);
/** Takes what came within `wait_ms`, at most. */
void hear_step(struct loop_check *check, int wait_ms);
int hear_fd(const struct loop_check *check); /* -1: none */
/** The row of a scan, or NULL. */
const struct heard_row *hear_find(const struct loop_check *check, uint64_t run, uint64_t seq);
const struct heard_value *heard_point(const struct heard_row *row, unsigned point);
/** From now on holes are counted anew. */
void hear_begin_count(struct loop_check *check);
/** The newest that was heard of a ledger row says that it is closed. */
bool hear_gap_closed(const struct loop_check *check, uint64_t run, uint64_t id);

/* ---- served ---- */
/** Connects, and looks at the test pattern and the block of the well. */
UP_MUST enum up_rc served_open(struct loop_check *check, struct up_error *error);
void served_close(struct loop_check *check);
struct served_slot {
    uint64_t seq; /* of the block's newest scan, from the same answer */
    uint16_t first, words[2];
    double value; /* in the view's unit */
    uint8_t quality;
};
/** Reads a point's slot with the header before it. */
UP_MUST enum up_rc served_read(struct loop_check *check, unsigned point, struct served_slot *out,
                               struct up_error *error);

/* ---- follow ---- */
/** Reads the newest scan of the channel, then the same one back from broker and table, and fills `at`. False: `why` says what is wrong. */
bool loop_follow(struct loop_check *check, struct loop_channel *at, char *why, size_t room);

/* ---- channel, outage, file ---- */
enum step_end { STEP_DONE = 0, STEP_BACK, STEP_STOP };
enum step_end loop_do_channel(struct loop_check *check, unsigned index);
enum step_end loop_do_outage(struct loop_check *check, struct loop_outage *outage);

/** Takes the lock of this well's check in the directory; 0 or an exit code (said). */
int loop_file_lock(struct loop_check *check);
/** Progress of an earlier sitting: UP_OK, UP_E_MISSING where there is none. */
UP_MUST enum up_rc loop_file_load(struct loop_check *check, struct up_error *error);
/** Writes the progress, whole or not at all. */
UP_MUST enum up_rc loop_file_save(struct loop_check *check, struct up_error *error);
/** Writes record and page under their last names, and takes the progress away. */
UP_MUST enum up_rc loop_file_finish(struct loop_check *check, char json[static PATH_LENGTH_MAX],
                                    char page[static PATH_LENGTH_MAX], struct up_error *error);

#endif
