/* SPDX-License-Identifier: Apache-2.0
 *
 * test_confirm.c - a person's confirmation of units: it holds over restart, kill and reload, ends
 * with what it is tied to, and a late record says of it what the live one said.
 */
#include "day.h"
#include "day_late.h"

#include "check.h"

#include "uphole/wire.h"

#include <stdlib.h>
#include <sysexits.h>

#define MINUTE INT64_C(60000)
#define TEXT_MAX 1024
#define DRIVE_TEMPERATURE 31 /* its point number */
#define UNIT_REGISTER 1      /* input register of the map below */

#define HEAD(label)                                                                                \
    "site: heron-ridge\nbox: heron-edge-1\n"                                                       \
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: "    \
    "1 s}\n"                                                                                       \
    "  skid-line: {serial: /dev/ttyS8, speed: 9600 baud, frame: 8N1, response_timeout: 1 s}\n"     \
    "wells:\n  heron-7:\n    label: " label "\n    table_block: 0\n    sources:\n"
#define GAUGE(serial)                                                                              \
    "      gauge:\n        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: "       \
    "screened, poll_every: 10 s, serial_number: " serial "}\n"                                     \
    "      drive:\n        - {from: 2031-01-10T08:00:00Z, line: skid-line, unit_id: 1, map: "      \
    "drive-a, poll_every: 10 s}\n"
#define MAP(about, scale, range)                                                                   \
    "maps:\n  screened:\n    map: screened\n    about: " about                                     \
    "\n    numbering: from-0\n    refresh: 28 s\n"                                                 \
    "    first_data: 25 s\n    gauge_status: {input: 0, bits: {0: live, 1: starting, 2: fault}}\n" \
    "    unit_register: {input: 1}\n    channels:\n"                                               \
    "      intake_pressure: {input: 16, type: u16, scale: " scale                                  \
    ", unit: MPa, reference: absolute, instrument_range: 0 to " range " MPa, not_fitted: "         \
    "[0xFFFF]}\n"                                                                                  \
    "      intake_temperature: {input: 17, type: s16, scale: 0.1, unit: degC, "                    \
    "instrument_range: -20 to 200 degC}\n"
#define TO "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n"

static const char FIRST[] =
    HEAD("Heron 7") GAUGE("G-0417") TO MAP("A unit with a screen.", "0.001", "60");
/* Nothing of these concerns how the channel's number is read. */
static const char OTHER_WORDS[] =
    HEAD("Heron seven") GAUGE("G-0417") TO MAP("The unit in the cabinet.", "0.001", "55");
static const char OTHER_SCALE[] =
    HEAD("Heron 7") GAUGE("G-0417") TO MAP("A unit with a screen.", "0.002", "60");
static const char OTHER_UNIT[] =
    HEAD("Heron 7") GAUGE("G-0418") TO MAP("A unit with a screen.", "0.001", "60");

/** What the hook puts into the unit-setting register's answer; 0: nothing. */
struct setting {
    uint16_t word;
};

static void put_setting(struct day *day, void *context, uint16_t line, const uint8_t *request,
                        size_t n_request, struct day_answer *answer)
{
    (void)day;
    (void)n_request;
    const struct setting *setting = context;
    const int first = request[2] << 8 | request[3], count = request[4] << 8 | request[5];
    const int at = 3 + 2 * (UNIT_REGISTER - first);
    if (setting->word == 0 || line != 0 || request[1] != 4 || first > UNIT_REGISTER ||
        first + count <= UNIT_REGISTER || (size_t)at + 4 > answer->n)
        return;
    answer->bytes[at] = (uint8_t)(setting->word >> 8);
    answer->bytes[at + 1] = (uint8_t)(setting->word & 0xFF);
    const uint16_t crc = crc16(answer->bytes, answer->n - 2);
    answer->bytes[answer->n - 2] = (uint8_t)(crc & 0xFF);
    answer->bytes[answer->n - 1] = (uint8_t)(crc >> 8);
}

static const struct reading *newest(const struct kept_records *kept, uint16_t point)
{
    for (size_t i = kept->n; i-- > 0;)
        for (uint16_t k = 0; k < kept->record[i].n; k++)
            if (kept->record[i].reading[k].point == point)
                return &kept->record[i].reading[k];
    fail_msg("no record holds point %u", point);
    return NULL;
}

static uint8_t latest[POINT_COUNT]; /* qualities of the newest snapshot: core's own fold */

static void see_latest(struct day *day, void *context, const struct snapshot *snapshot)
{
    (void)day;
    (void)context;
    for (uint16_t i = 0; i < snapshot->n; i++)
        latest[snapshot->reading[i].point] = snapshot->reading[i].quality;
}

/** Record and latest say the same of a point. */
static void expect(const struct kept_records *kept, uint16_t point, uint8_t quality,
                   const char *when)
{
    if (newest(kept, point)->quality != quality || latest[point] != quality)
        fail_msg("%s: %s is %u in its record and %u in latest, expected %u", when,
                 point_get(point)->id, newest(kept, point)->quality, latest[point], quality);
}

static void ask(struct day *day, int code, const char *arguments, const char *says)
{
    char text[TEXT_MAX];
    const int got = day_confirm(day, arguments, text, sizeof text);
    if (got != code || strstr(text, says) == NULL)
        fail_msg("'%s' gave %d and said: %s", arguments, got, text);
    print_message("%s\n", text);
}

/** Confirms with what is read now, in `unit`, times `off`. */
static void confirm(struct day *day, const struct kept_records *kept, uint16_t point,
                    const char *unit, double off, int code, const char *says)
{
    char arguments[200];
    const unit_number to = unit_find(unit, strlen(unit), point_get(point)->kind);
    const double value = unit_convert(newest(kept, point)->value, point_unit(point), to) * off;
    snprintf(arguments, sizeof arguments, "heron-7 %s - %.1f %s technician", point_get(point)->id,
             value, unit);
    ask(day, code, arguments, says);
}

static struct day *begin(struct kept_records *kept, struct setting *setting, uint64_t seed)
{
    const struct day_options options = {.config = FIRST,
                                        .seed = seed,
                                        .fault = put_setting,
                                        .context = setting,
                                        .record = keep_record,
                                        .record_context = kept,
                                        .snapshot = see_latest};
    struct day *day = day_create(&options);
    day_run_for(day, 3 * MINUTE);
    expect(kept, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, "at first");
    return day;
}

static void end(struct day *day, struct kept_records *kept)
{
    assert_true(check_late_equals_live(day, kept, 20, 7) > 300);
    assert_true(check_late_one_by_one(day, kept, 20) > 140);
    free(kept->record);
    day_destroy(day);
}

/**
 * Confirmed points are Good from the next scan on, over a kill, a stop, a change of label, of words
 * and of ranges; each record says so late as well, also in the first scans of a run and of a plan.
 * Planted defects: confirm-forgotten-at-start, confirm-unmade-again, confirm-late-blind,
 * confirm-words-lapse.
 */
static void a_confirmation_holds_over_restart_kill_and_reload(void **state)
{
    (void)state;
    struct kept_records kept = {0};
    struct setting setting = {0};
    struct day *day = begin(&kept, &setting, 41);
    confirm(day, &kept, POINT_INTAKE_PRESSURE, "psi", 1, 0, "is confirmed from the next scan on");
    confirm(day, &kept, DRIVE_TEMPERATURE, "degF", 1, 0, "drive_temperature of heron-7");
    char text[GAP_CAUSE_MAX];
    check_count("events", (long long)day_count_events(day, "unit_confirmed", text), 2);
    assert_non_null(strstr(text, "heron-7 drive_temperature: screen "));
    expect(&kept, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, "until it is read again");
    day_run_for(day, 12000);
    expect(&kept, POINT_INTAKE_PRESSURE, QUALITY_GOOD, "from the next scan on");
    expect(&kept, DRIVE_TEMPERATURE, QUALITY_GOOD, "from the next scan on");
    expect(&kept, POINT_INTAKE_TEMPERATURE, QUALITY_UNIT_UNCONFIRMED, "nobody compared this one");
    day_kill(day, 30000);
    day_run_for(day, 3 * MINUTE);
    expect(&kept, POINT_INTAKE_PRESSURE, QUALITY_GOOD, "after a kill");
    expect(&kept, DRIVE_TEMPERATURE, QUALITY_GOOD, "after a kill");
    day_stop(day, 20 * MINUTE);
    day_run_for(day, 3 * MINUTE);
    expect(&kept, POINT_INTAKE_PRESSURE, QUALITY_GOOD, "after a stop");
    day_reload(day, OTHER_WORDS);
    day_run_for(day, 3 * MINUTE);
    expect(&kept, POINT_INTAKE_PRESSURE, QUALITY_GOOD, "other words and ranges");
    day_restart_with(day, FIRST);
    day_run_for(day, 3 * MINUTE);
    expect(&kept, POINT_INTAKE_PRESSURE, QUALITY_GOOD, "started with another configuration");
    expect(&kept, DRIVE_TEMPERATURE, QUALITY_GOOD, "started with another configuration");
    check_count("ended", (long long)day_count_events(day, "unit_lapsed", NULL), 0);
    day_run_for(day, 2 * MINUTE);
    end(day, &kept);
}

/** Ends by `change`; the way back revives nothing. */
static void ends(uint64_t seed, const char *config, uint16_t word, const char *says)
{
    struct kept_records kept = {0};
    struct setting setting = {0};
    char text[GAP_CAUSE_MAX];
    struct day *day = begin(&kept, &setting, seed);
    confirm(day, &kept, POINT_INTAKE_PRESSURE, "MPa", 1, 0, "is confirmed");
    confirm(day, &kept, DRIVE_TEMPERATURE, "degC", 1, 0, "is confirmed");
    day_run_for(day, 2 * MINUTE);
    expect(&kept, POINT_INTAKE_PRESSURE, QUALITY_GOOD, "confirmed");
    setting.word = word;
    if (config != NULL)
        day_reload(day, config);
    day_run_for(day, 3 * MINUTE);
    expect(&kept, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, says);
    expect(&kept, DRIVE_TEMPERATURE, QUALITY_GOOD, "another source");
    check_count("events", (long long)day_count_events(day, "unit_lapsed", text), 1);
    if (strstr(text, says) == NULL)
        fail_msg("the event says: %s", text);
    print_message("%s\n", text);
    setting.word = 0;
    if (config != NULL)
        day_reload(day, FIRST);
    day_run_for(day, 3 * MINUTE);
    expect(&kept, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, "the old state is back");
    day_kill(day, 10000);
    day_run_for(day, 3 * MINUTE);
    expect(&kept, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, "and after a kill");
    confirm(day, &kept, POINT_INTAKE_PRESSURE, "bar", 1, 0, "is confirmed");
    day_run_for(day, 2 * MINUTE);
    expect(&kept, POINT_INTAKE_PRESSURE, QUALITY_GOOD, "confirmed again");
    end(day, &kept);
}

/** Planted defects: confirm-map-unwatched, confirm-revives. */
static void another_scale_ends_it(void **state)
{
    (void)state;
    ends(42, OTHER_SCALE, 0, "the map says otherwise of this channel");
}

/** Planted defect: confirm-serial-unwatched. */
static void another_serial_number_ends_it(void **state)
{
    (void)state;
    ends(43, OTHER_UNIT, 0, "the surface unit's serial number is another");
}

/** Planted defect: confirm-setting-unwatched. */
static void another_unit_setting_ends_it(void **state)
{
    (void)state;
    ends(44, NULL, 3, "the unit-setting register went from 0 to 3");
}

/** Planted defects: confirm-any-number, confirm-stale-moment. */
static void what_is_not_so_is_not_confirmed(void **state)
{
    (void)state;
    struct kept_records kept = {0};
    struct setting setting = {0};
    char arguments[200], when[STAMP_TEXT_MAX], text[TEXT_MAX];
    struct day *day = begin(&kept, &setting, 45);
    ask(day, EX_NOINPUT, "heron-9 intake_pressure - 12 MPa technician",
        "There is no well 'heron-9'");
    ask(day, EX_NOINPUT, "heron-7 intake_presure - 12 MPa technician", "is no point");
    ask(day, EX_NOINPUT, "heron-7 discharge_pressure - 12 MPa technician", "No map of heron-7");
    ask(day, EX_DATAERR, "heron-7 motor_current - 12 A technician", "needs no confirmation");
    ask(day, EX_DATAERR, "heron-7 intake_pressure - 12 degC technician",
        "is a unit of temperature");
    ask(day, EX_DATAERR, "heron-7 intake_pressure - 12 stone technician", "no unit that is known");
    ask(day, EX_USAGE, "heron-7 intake_pressure - 1e3 MPa technician", "no number");
    ask(day, EX_USAGE, "heron-7 intake_pressure - 12 MPa ", "--by");
    ask(day, EX_USAGE, "heron-7 intake_pressure - 12", "is confirmed with");
    ask(day, EX_USAGE, "heron-7 intake_pressure noon 12 MPa technician", "no time");
    ask(day, EX_DATAERR, "heron-7 intake_pressure withdraw technician", "nothing to withdraw");
    /* bar for kgf/cm2: 2 %, the smallest mix-up of pressure units */
    confirm(day, &kept, POINT_INTAKE_PRESSURE, "bar", 1.0197, EX_DATAERR, "nothing is confirmed");
    confirm(day, &kept, POINT_INTAKE_TEMPERATURE, "degC", 1.1, EX_DATAERR, "nothing is confirmed");
    check_count("events", (long long)day_count_events(day, "unit_confirmed", NULL), 0);
    /* A moment of the past picks its own scan; the well moved since. */
    const struct reading then = *newest(&kept, POINT_INTAKE_PRESSURE);
    const int64_t then_utc = DAY_START_UTC_MS + 3 * MINUTE;
    day_run_for(day, 20 * MINUTE);
    (void)stamp_to_text(then_utc, when);
    snprintf(arguments, sizeof arguments, "heron-7 intake_pressure %s %.3f kPa operations engineer",
             when, then.value);
    ask(day, 0, arguments, "is confirmed");
    day_run_for(day, 15 * MINUTE);
    ask(day, EX_USAGE, arguments, "30 minutes");
    check_count("withdrawn",
                day_confirm(day, "heron-7 intake_pressure withdraw technician", text, sizeof text),
                0);
    day_run_for(day, MINUTE);
    expect(&kept, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, "withdrawn");
    free(kept.record);
    day_destroy(day);
}

static void mute(struct day *day, void *context, uint16_t line, const uint8_t *request,
                 size_t n_request, struct day_answer *answer)
{
    (void)day;
    (void)request;
    (void)n_request;
    if (line == 0 && *(const bool *)context)
        answer->n = 0;
}

/** Planted defect: confirm-dead-line. */
static void a_dead_line_confirms_nothing(void **state)
{
    (void)state;
    struct kept_records kept = {0};
    bool is_mute = false;
    const struct day_options options = {.config = FIRST,
                                        .seed = 46,
                                        .fault = mute,
                                        .context = &is_mute,
                                        .record = keep_record,
                                        .record_context = &kept};
    struct day *day = day_create(&options);
    ask(day, EX_UNAVAILABLE, "heron-7 intake_pressure - 12 MPa technician", "no fresh value");
    day_run_for(day, 5 * MINUTE);
    const double read = newest(&kept, POINT_INTAKE_PRESSURE)->value;
    is_mute = true;
    day_run_for(day, 5 * MINUTE);
    char arguments[200];
    snprintf(arguments, sizeof arguments, "heron-7 intake_pressure - %.0f kPa technician", read);
    ask(day, EX_UNAVAILABLE, arguments, "no fresh value");
    free(kept.record);
    day_destroy(day);
}

/** Scans go, what was confirmed stays: the fact, and who said so. Planted: confirm-facts-removed. */
static void retention_leaves_what_was_confirmed(void **state)
{
    (void)state;
    struct kept_records kept = {0};
    struct removed_rows removed = {0};
    struct journal_reader *reader = NULL;
    struct up_error error = {0};
    const struct day_options options = {.config = FIRST,
                                        .seed = 47,
                                        .journal = ", keep: 1 h",
                                        .record = keep_record,
                                        .record_context = &kept,
                                        .snapshot = see_latest};
    struct day *day = day_create(&options);
    day_run_for(day, 3 * MINUTE);
    confirm(day, &kept, POINT_INTAKE_PRESSURE, "psi", 1, 0, "is confirmed");
    day_run_for(day, 240 * MINUTE);
    assert_int_equal(journal_reader_open(day_plan(day)->journal.path, &reader, &error), UP_OK);
    assert_int_equal(journal_read_floor(reader, 0, &removed, &error), UP_OK);
    journal_reader_close(reader);
    assert_true(removed.rows > 300);
    day_kill(day, 10000);
    day_run_for(day, 3 * MINUTE);
    expect(&kept, POINT_INTAKE_PRESSURE, QUALITY_GOOD, "after a kill, its scan long removed");
    check_count("events", (long long)day_count_events(day, "unit_confirmed", NULL), 1);
    free(kept.record);
    day_destroy(day);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_confirmation_holds_over_restart_kill_and_reload),
        cmocka_unit_test(another_scale_ends_it),
        cmocka_unit_test(another_serial_number_ends_it),
        cmocka_unit_test(another_unit_setting_ends_it),
        cmocka_unit_test(what_is_not_so_is_not_confirmed),
        cmocka_unit_test(a_dead_line_confirms_nothing),
        cmocka_unit_test(retention_leaves_what_was_confirmed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
