/* SPDX-License-Identifier: Apache-2.0
 *
 * payload_printer.c - prints random payloads beside what went into them, for the validator and the
 * arithmetic of another language.
 *
 *   payload_printer SEED COUNT      two lines a payload: what went in (plain printf, not our
 * generator), then the payload
 */
#include "payload_fixture.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static uint64_t random_state;
static struct plan *plan;
static char into[PAYLOAD_MAX];

static uint32_t draw(uint32_t below)
{
    random_state = random_state * 6364136223846793005u + 1442695040888963407u; /* Knuth, MMIX */
    return (uint32_t)(random_state >> 33) % below;
}

static const uint8_t QUALITIES[] = {192, 192, 192, 192, 64, 65, 66, 67, 68, 69, 70, 71, 72, 73, 74,
                                    0,   1,   2,   3,   4,  5,  6,  7,  8,  9,  10, 11, 12, 13, 14};

/* Ties of the resolution, near misses of them, whole steps, anything, nothing. */
static double draw_value(const struct point *point)
{
    double step = point->resolution > 0 ? point->resolution : 1;
    double whole = (double)((int32_t)draw(200000) - 20000) * step;
    switch (draw(8)) {
    case 0:
        return whole + step / 2;
    case 1:
        return nextafter(whole + step / 2, INFINITY);
    case 2:
        return whole + (double)draw(1000000) / 1e6 * step;
    case 3:
        return -(double)draw(100) / 1000 * step; /* must not become a negative zero */
    case 4:
        return NAN;
    case 5:
        return (double)draw(1u << 30) * (draw(2) ? 1e-7 : 1e-3);
    default:
        return whole;
    }
}

static void print_number(const char *key, double value)
{
    if (isfinite(value))
        printf("\"%s\":%.17g", key, value);
    else
        printf("\"%s\":null", key);
}

static void print_reading(const char *id, double value, uint8_t quality, double age_s, bool last)
{
    printf("{\"point\":\"%s\",\"quality\":%u,", id, quality);
    print_number("value", value);
    putchar(',');
    print_number("age_s", age_s);
    printf("}%s", last ? "" : ",");
}

static uint16_t draw_points(uint16_t points[RECORD_READINGS_MAX])
{
    uint16_t n = 0;
    uint32_t chance = 1 + draw(10);
    for (uint16_t point = 1; point < POINT_COUNT; point++)
        if (draw(chance) == 0)
            points[n++] = point;
    return n;
}

static void print_records(void)
{
    static struct record rows[64];
    uint16_t points[2][RECORD_READINGS_MAX];
    uint16_t n_points[2] = {draw_points(points[0]), draw_points(points[1])};
    size_t n = 1 + draw(64), used = 0;
    unsigned to = draw(TO_COUNT);
    static const struct {
        enum sent_as sent;
        const char *word;
    } SENT[] = {{SENT_LIVE, "live"},
                {SENT_LATE, "late"},
                {SENT_RESENT, "resent"},
                {SENT_RECALCULATED, "recalculated"}};
    const unsigned sent = draw(4);
    const uint32_t revision = sent == 3 || (sent == 2 && draw(2) == 0) ? 1 : 0;
    for (size_t i = 0; i < n; i++) {
        uint8_t set = (uint8_t)draw(2);
        rows[i] = payload_record_of(set ? SOURCE_DRIVE : SOURCE_GAUGE, 1 + i);
        rows[i].at.utc_ms += (int64_t)i * 10000 + draw(1000);
        rows[i].at.clock = (uint8_t)(1 + draw(4));
        rows[i].outcome = (uint8_t)(1 + draw(OUTCOME_COUNT - 1));
        rows[i].plan_digest = FIXTURE_DIGEST;
        rows[i].revision = revision;
        for (uint16_t k = 0; k < n_points[set]; k++)
            payload_add(&rows[i], points[set][k], draw_value(point_get(points[set][k])),
                        QUALITIES[draw(sizeof QUALITIES)], (float)draw(100000) / 64.0f);
    }
    size_t room = draw(4) == 0 ? 2000 + draw(20000) : sizeof into;
    size_t length =
        payload_record_by(into, room, plan, &plan->destinations[to].units, SENT[sent].sent,
                          "clock set at 2031-03-01T06:00:00.000Z", rows, n, &used);
    printf("{\"type\":\"record\",\"sent\":\"%s\",\"revision\":%u,\"to\":%u,\"n\":%zu,\"used\":%zu,"
           "\"length\":%zu,\"room\":%zu,"
           "\"rows\":[",
           SENT[sent].word, revision, to, n, used, length, room);
    for (size_t i = 0; i < used; i++) {
        printf("{\"source\":\"%s\",\"seq\":%" PRIu64 ",\"utc_ms\":%" PRId64
               ",\"clock\":%u,\"outcome\":%u,\"readings\":[",
               rows[i].source == SOURCE_DRIVE ? "drive" : "gauge", rows[i].seq, rows[i].at.utc_ms,
               rows[i].at.clock, rows[i].outcome);
        for (uint16_t k = 0; k < rows[i].n; k++)
            print_reading(point_get(rows[i].reading[k].point)->id, rows[i].reading[k].value,
                          rows[i].reading[k].quality, (double)rows[i].reading[k].age_s,
                          k + 1 == rows[i].n);
        printf("]}%s", i + 1 == used ? "" : ",");
    }
    printf("]}\n%s\n", length > 0 ? into : "null");
}

static void print_latest(void)
{
    struct snapshot snapshot = {.run = random_state,
                                .seq = draw(3) ? 1 + draw(1u << 30) : 0,
                                .well = (uint16_t)(FIXTURE_WELL + draw(2)),
                                .line = (uint8_t)draw(4),
                                .gauge = (uint8_t)draw(5),
                                .clock = (uint8_t)(1 + draw(4)),
                                .journaled = draw(4) != 0};
    uint16_t points[RECORD_READINGS_MAX];
    unsigned to = draw(TO_COUNT);
    int64_t now_ms = 10000000 + draw(1000);
    snapshot.newest = (struct stamp){
        .utc_ms = FIXTURE_UTC_MS + draw(1u << 30), .boot_ms = now_ms, .clock = snapshot.clock};
    snapshot.taken = snapshot.newest;
    snapshot.n = draw_points(points);
    for (uint16_t i = 0; i < snapshot.n; i++)
        snapshot.reading[i] =
            (struct live_reading){.point = points[i],
                                  .quality = QUALITIES[draw(sizeof QUALITIES)],
                                  .value = draw_value(point_get(points[i])),
                                  .fresh_boot_ms = draw(6) ? now_ms - draw(100000) : INT64_MIN,
                                  .stale_limit_ms = draw(3) ? 48000 : 0};
    size_t length =
        payload_latest(into, sizeof into, plan, &plan->destinations[to].units, &snapshot, now_ms);
    printf("{\"type\":\"latest\",\"to\":%u,\"length\":%zu,\"seq\":%" PRIu64
           ",\"journaled\":%s,\"clock\":%u,\"utc_ms\":%" PRId64 ",\"readings\":[",
           to, length, snapshot.seq, snapshot.journaled ? "true" : "false", snapshot.clock,
           snapshot.newest.utc_ms);
    for (uint16_t i = 0; i < snapshot.n; i++) {
        const struct live_reading *reading = &snapshot.reading[i];
        double age_s = reading->fresh_boot_ms == INT64_MIN
                           ? NAN
                           : (double)(now_ms - reading->fresh_boot_ms) / 1000;
        printf("{\"point\":\"%s\",\"quality\":%u,\"limit_ms\":%u,", point_get(reading->point)->id,
               reading->quality, reading->stale_limit_ms);
        print_number("value", reading->value);
        putchar(',');
        print_number("age_s", age_s);
        printf("}%s", i + 1 == snapshot.n ? "" : ",");
    }
    printf("]}\n%s\n", into);
}

static void print_gap(void)
{
    bool open = draw(2);
    struct gap gap = {.run = random_state,
                      .id = 1 + draw(1000),
                      .revision = draw(9),
                      .kind = (uint8_t)(1 + draw(GAP_KINDS - 1)),
                      .source = (uint8_t)draw(4),
                      .point = (uint16_t)draw(POINT_COUNT),
                      .all_wells = draw(2),
                      .is_open = open,
                      .before_seq = draw(3) ? draw(1u << 30) : 0,
                      .after_seq = open ? 0 : 1 + draw(1u << 30),
                      .scans = draw(1000),
                      .refreshes_about = draw(400),
                      .recovered = draw(10),
                      .lost = draw(2)};
    gap.start = (struct stamp){.utc_ms = FIXTURE_UTC_MS, .clock = (uint8_t)(1 + draw(4))};
    gap.end =
        (struct stamp){.utc_ms = FIXTURE_UTC_MS + draw(100000), .clock = (uint8_t)(1 + draw(4))};
    if (draw(2))
        snprintf(gap.destination, sizeof gap.destination, "plant-broker");
    for (size_t i = 0; i < draw(GAP_CAUSE_MAX); i++)
        gap.cause[i] = (char)(1 + draw(255));
    if (draw(2)) { /* a person's words are checked before they are stored */
        gap.planned = draw(2);
        snprintf(gap.note, sizeof gap.note, "Pump pulled: \"%u\" of \xc3\x97.", draw(9));
        snprintf(gap.noted_by, sizeof gap.noted_by, "operations engineer (jana)");
    }
    printf("{\"type\":\"gap\",\"length\":%zu}\n",
           payload_gap(into, sizeof into, plan, &gap, "heron-7"));
    printf("%s\n", into);
}

static void print_box(void)
{
    struct box_state box = {.running = draw(2),
                            .run = random_state,
                            .version = "0.1.0",
                            .clock = (uint8_t)draw(5),
                            .journal_ok = draw(2),
                            .days_left = (uint16_t)(draw(2) ? draw(1000) : 65535)};
    box.state.n_destinations = (uint16_t)draw(4);
    for (unsigned i = 0; i < box.state.n_destinations; i++) {
        box.state.destination[i].state = (uint8_t)draw(5);
        box.state.destination[i].waiting = draw(100000);
    }
    box.state.books = (struct wall_books){.verdict = (uint8_t)draw(4),
                                          .at_utc_ms = INT64_C(1930118400000) + draw(1000000),
                                          .from_utc_ms = INT64_C(1930028400000),
                                          .due = draw(100000),
                                          .rows = draw(100000),
                                          .never = draw(100)};
    printf("{\"type\":\"box\",\"length\":%zu}\n", payload_box(into, sizeof into, plan, &box));
    printf("%s\n", into);
}

int main(int argc, char **argv)
{
    if (argc != 3)
        return 64;
    random_state = strtoull(argv[1], NULL, 10);
    plan = payload_plan();
    for (long i = strtol(argv[2], NULL, 10); i > 0; i--) {
        print_records();
        print_latest();
        print_gap();
        print_box();
    }
    plan_free(plan);
    return 0;
}
