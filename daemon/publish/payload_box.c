/* SPDX-License-Identifier: Apache-2.0
 *
 * payload_box.c - the box's own topic. The same shape is its last will: then `running` is false,
 * and what a box that is gone can't know says "unknown", so that no old state can stand as the
 * present one.
 */
#include "payload.h"

#define DAYS_LEFT_UNKNOWN 65535

static void put_journal(struct json *json, const struct box_state *box)
{
    json_put_open(json, "journal", '{');
    json_put_text(json, "state", !box->running ? "unknown" : box->journal_ok ? "ok" : "refusing");
    json_key(json, "days_left");
    if (box->running && box->days_left != DAYS_LEFT_UNKNOWN)
        json_unsigned(json, box->days_left);
    else
        json_null(json);
    json_close(json, '}');
}

static void put_books(struct json *json, const struct box_state *box)
{
    const struct wall_books *books = &box->state.books;
    const bool known = box->running && books->verdict != BOOKS_UNKNOWN;
    json_put_open(json, "books", '{');
    json_put_text(json, "state",
                  books_verdict_name(known ? books->verdict : (uint8_t)BOOKS_UNKNOWN));
    json_key(json, "audited");
    if (known)
        json_time(json, books->at_utc_ms);
    else
        json_null(json);
    json_key(json, "from");
    if (known)
        json_time(json, books->from_utc_ms);
    else
        json_null(json);
    const uint64_t sums[] = {books->due, books->rows, books->never, books->damaged};
    static const char *const NAMES[] = {"due", "rows", "never_attempted", "damaged"};
    for (size_t i = 0; i < 4; i++) {
        json_key(json, NAMES[i]);
        if (known)
            json_unsigned(json, sums[i]);
        else
            json_null(json);
    }
    json_close(json, '}');
}

static void put_destinations(struct json *json, const struct plan *plan,
                             const struct box_state *box)
{
    json_put_open(json, "destinations", '{');
    for (uint16_t i = 0; i < plan->n_destinations && i < PLAN_DESTINATIONS_MAX; i++) {
        bool known = box->running && i < box->state.n_destinations;
        json_put_open(json, plan->destinations[i].name, '{');
        json_put_text(json, "state",
                      delivery_state_name(known ? box->state.destination[i].state
                                                : (uint8_t)DELIVERY_UNKNOWN));
        json_key(json, "waiting");
        if (known)
            json_unsigned(json, box->state.destination[i].waiting);
        else
            json_null(json);
        json_close(json, '}');
    }
    json_close(json, '}');
}

size_t payload_box(char *into, size_t room, const struct plan *plan, const struct box_state *box)
{
    char digest[9] = {0};
    for (size_t i = 0; i < 8; i++)
        digest[i] = plan->digest[i];
    struct json json;
    json_begin(&json, into, room);
    json_open(&json, '{');
    json_put_text(&json, "schema", "uphole/box/1");
    json_put_text(&json, "site", plan->site);
    json_put_text(&json, "box", plan->box);
    json_put_boolean(&json, "running", box->running);
    json_put_run(&json, "run", box->run);
    json_put_text(&json, "version", box->version);
    json_put_text(&json, "plan", digest);
    json_put_text(&json, "clock",
                  clock_state_name(box->running ? box->clock : (uint8_t)CLOCK_STATE_UNKNOWN));
    put_journal(&json, box);
    put_books(&json, box);
    put_destinations(&json, plan, box);
    json_close(&json, '}');
    return json_end(&json);
}
