/* SPDX-License-Identifier: Apache-2.0
 *
 * test_plan.c - a configuration to the frozen plan: defaults, dates, canonical text, digest,
 * secrets.
 */
#include "check.h"

#include "uphole/plan.h"

#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#define EXAMPLE UPHOLE_SOURCE_DIR "/config/uphole.yaml"
#define HEAD "site: s\nbox: b\nlines:\n  l: {serial: /dev/x, speed: 9600 baud, frame: 8N1}\n"
#define WELL                                                                                       \
    "wells:\n  w:\n    table_block: 5\n    sources:\n      gauge:\n        - {from: "              \
    "2031-01-10T08:00:00Z, line: l, unit_id: 1, map: m}\n"
#define MAP                                                                                        \
    "maps:\n  m:\n    map: m\n    numbering: from-0\n    refresh: 28 s\n    channels:\n"           \
    "      intake_pressure: {input: 16, type: u16, scale: 0.001, unit: MPa, reference: "           \
    "absolute}\n"

static struct plan_faults faults;

static struct plan *good(const char *text)
{
    struct plan *plan = NULL;
    if (plan_from_text("t.yaml", text, strlen(text), &plan, &faults) != UP_OK)
        fail_msg("%d:%d: %s", faults.fault[0].line, faults.fault[0].column, faults.fault[0].text);
    return plan;
}

static void refused(const char *text, const char *expected)
{
    struct plan *plan = NULL;
    check_count(expected, plan_from_text("t.yaml", text, strlen(text), &plan, &faults),
                UP_E_CONFIG);
    check_text("fault", faults.fault[0].text, expected);
}

static struct plan *example(void)
{
    struct plan *plan = NULL;
    if (plan_from_file(EXAMPLE, NULL, &plan, &faults) != UP_OK)
        fail_msg("%s:%d: %s", faults.fault[0].file, faults.fault[0].line, faults.fault[0].text);
    return plan;
}

static void the_example_configuration_is_good(void **state)
{
    struct plan *plan = example();
    (void)state;
    check_text("site", plan->site, "heron-ridge");
    check_count("lines", plan->n_lines, 2);
    check_count("wells", plan->n_wells, 2);
    check_count("maps, each once", plan->n_maps, 3);
    const struct well_plan *well = plan_well_by_id(plan, "heron-7");
    const struct source_entry *gauge = plan_entry_at(well, SOURCE_GAUGE, INT64_MAX);
    check_count("poll", gauge->poll_every_ms, 10000);
    check_count("refresh of the map", gauge->refresh_ms, 28000);
    check_count("fitted", gauge->fitted[POINT_DISCHARGE_PRESSURE], FITTED_NO);
    check_count("line 9 of the file", plan->lines[0].config_line, 5);
    check_count("listen_first is one refresh", plan->lines[0].listen_first_ms, 28000);
    check_count("no listening on TCP", plan->lines[1].listen_first_ms, 0);
    /* 1920 m along the hole: arcs walked by hand with mpmath */
    check_close("intake depth", plan_data_at(well, 0)->intake_depth_m, 1811.00871332393, 1e-9);
    check_close("water cut", plan_data_at(well, 0)->water_cut_ratio, 0.6, 0);
    assert_true(isnan(plan_data_at(well, 0)->liquid_density_kg_m3));
    assert_null(plan_data_at(plan_well_by_id(plan, "heron-8"), 0));
    const struct source_entry *other =
        plan_entry_at(plan_well_by_id(plan, "heron-8"), SOURCE_GAUGE, 0);
    check_count("confirmed", other->confirmed_units[POINT_INTAKE_PRESSURE], 1);
    check_count("not confirmed", other->confirmed_units[POINT_DISCHARGE_PRESSURE], 0);
    check_count("a voltage needs no confirmation", other->confirmed_units[13], 1);
    check_count("journal, days", (long long)(plan->journal.keep_ms / 86400000), 400);
    check_count("journal, bytes", (long long)plan->journal.at_most_bytes, 2000000000);
    plan_free(plan);
}

/* Reads the canonical text again and again: nothing may change. */
static void is_idempotent(const struct plan *plan)
{
    struct plan *again = NULL;
    if (plan_from_text("canonical", plan->text, plan->text_length, &again, &faults) != UP_OK)
        fail_msg("canonical:%d:%d: %s", faults.fault[0].line, faults.fault[0].column,
                 faults.fault[0].text);
    check_text("canonical text", again->text, plan->text);
    check_text("digest", again->digest, plan->digest);
    for (int w = 0; w < plan->n_wells; w++)
        for (int s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
            for (int e = 0; e < plan->wells[w].n_entries[s]; e++) {
                const struct source_entry *a = &plan->wells[w].entries[s][e],
                                          *b = &again->wells[w].entries[s][e];
                check_count("stale limit", b->stale_limit_ms, a->stale_limit_ms);
                check_count("stated", b->stale_limit_stated, a->stale_limit_stated);
                check_count(
                    "confirmed",
                    memcmp(a->confirmed_units, b->confirmed_units, sizeof a->confirmed_units), 0);
            }
    for (int m = 0; m < plan->n_maps; m++)
        for (int k = 0; k < plan->maps[m].n_unit_settings; k++) {
            const struct unit_setting *a = &plan->maps[m].unit_settings[k],
                                      *b = &again->maps[m].unit_settings[k];
            check_count("where",
                        b->at == a->at && b->bit_low == a->bit_low && b->bit_high == a->bit_high &&
                            b->kind == a->kind,
                        1);
            check_count("meanings", b->n_meanings, a->n_meanings);
            for (int i = 0; i < a->n_meanings; i++)
                check_count("meaning",
                            a->meaning[i].raw == b->meaning[i].raw &&
                                a->meaning[i].unit == b->meaning[i].unit &&
                                decimal_to_double(a->meaning[i].scale) ==
                                    decimal_to_double(b->meaning[i].scale),
                            1);
        }
    for (int m = 0; m < plan->n_maps; m++)
        for (int c = 0; c < plan->maps[m].n_channels; c++) {
            const struct channel *a = &plan->maps[m].channel[c], *b = &again->maps[m].channel[c];
            check_count("conversion", memcmp(&a->to_point, &b->to_point, sizeof a->to_point), 0);
            check_count("setting", b->setting, a->setting);
            check_count("markers", memcmp(a->not_fitted, b->not_fitted, sizeof a->not_fitted), 0);
            check_count("ranges",
                        a->instrument_low == b->instrument_low &&
                            a->instrument_high == b->instrument_high &&
                            a->max_rate_per_s == b->max_rate_per_s && a->accuracy == b->accuracy &&
                            a->resolution == b->resolution,
                        1);
        }
    plan_free(again);
}

static void canonical_text_gives_the_same_plan(void **state)
{
    struct plan *plan = example();
    (void)state;
    is_idempotent(plan);
    plan_free(plan);
}

/* Every key once, with values that are awkward to write. */
static void canonical_text_keeps_awkward_values(void **state)
{
    struct plan *plan = good(
        "site: \"1\"\nbox: \"no\"\nlines:\n"
        "  l: {serial: \"/dev/a b\", speed: 115200 baud, frame: 8E1, response_timeout: 350 ms, "
        "listen_first: 0 s, share_line: yes, strip_echo: yes, rs485: driver}\n"
        "  t: {tcp: \"[2001:db8::7]:1502\"}\n"
        "  r: {tcp: 192.0.2.9:4001, framing: rtu, speed: 19200 baud, listen_first: 3 s, "
        "strip_echo: yes}\n"
        "wells:\n  w:\n    label: \"He said \\\"7\\\" \\\\ # : \xC3\xA9\"\n    table_block: 127\n  "
        "  sources:\n"
        "      gauge:\n"
        "        - {from: 2031-02-01T00:00:00Z, line: l, unit_id: 247, map: m, poll_every: 90 s, "
        "refresh: 7 s, stale_limit: 400 s, down_after: 5, freeze_after: 9}\n"
        "        - {from: 2031-01-10T10:00:00.5+02:00, line: l, unit_id: 2, map: m, serial_number: "
        "\"12: #3\", fitted: {intake_pressure: yes}, confirmed_units: [intake_pressure]}\n"
        "      drive:\n        - {from: 1969-12-31T23:59:59.999Z, line: t, unit_id: 0, map: d, "
        "confirmed_units: none}\n"
        "    well_data:\n      - {from: 2031-01-10T08:00:00Z, intake_depth: 6069.55 ft TVD, "
        "oil_gravity: -3.7 API, water_density: 1.05 g/cm3}\n"
        "destinations:\n"
        "  m: {mqtt: \"mqtt://localhost\", mqtt_version: 3.1.1, from: oldest, user: u, "
        "password_file: broker.pass, "
        "backlog_at_most: 7 records/s, at_most: 300.5 MB a month, latest_every: 1500 "
        "ms, topic_root: a/b, units: {pressure: kgf/cm2, temp_difference: degF}}\n"
        "  t:\n    modbus_tcp: \"[::1]\"\n    units: {pressure: psi}\n    allow: "
        "[\"2001:db8::/32\", 192.0.2.1, 0.0.0.0/0]\n    clients: 3\n    idle_timeout: 2 h\n"
        "    views: {9: {units: own, words: low-first, missing_as: -1.5}, 1: own high-word-first, "
        "2: {units: us, words: high-first, missing_as: last}}\n"
        "journal: {path: \"/x y\", keep: 90 days, at_most: 123456 kB}\n"
        "maps:\n  m:\n    map: m\n    about: \"- not a list\"\n    numbering: as-printed\n    "
        "refresh: 28 s\n    never: [{holding: 40100 to 40200}]\n"
        "    relayed_by: drive\n    relay_delay: 90 s\n    holds_last: yes\n    refresh_counter: "
        "{holding: 40001, type: u32, words: low-first}\n"
        "    unit_register: {input: 30009, pressure: {bits: 2 to 5, 3: psi, 0: {unit: MPa, scale: "
        "1e-6}}, temperature: {holding: 40004, 1: degC, 65535: degF}, except: "
        "[intake_temperature]}\n    gauge_status: {holding: 40003, values: {65535: "
        "silent, 1: live}}\n    channels:\n"
        "      intake_pressure: {holding: 40010, type: f64, words: low-first, bytes: low-first, "
        "scale: 1e-3, offset: -14.7, unit: psi, reference: unknown, instrument_range: -14.7 to "
        "9999.9 psi, expected_range: 0 to 1e3 psi, max_rate: 0.7 psi/h, accuracy: 0.1 psi, "
        "resolution: 0.02 psi, "
        "not_fitted: [0x7FF8000000000000, 0xFFFFFFFFFFFFFFFF]}\n"
        "      discharge_temperature: {input: 30021, type: s16, scale: 0.1, offset: -273.15, unit: "
        "degC, not_fitted: [-1, 0], not_fitted_if: intake_temperature, faults: [32767], limits: "
        "[-32768]}\n"
        "      intake_temperature: {input: 30022, type: bcd32, words: high-first, unit: degF, "
        "max_rate: 1 degF/min, accuracy: 0.5 degC, not_fitted: [0x99999999]}\n"
        "      gauge_status: {discrete: 10005}\n"
        "  d:\n    map: d\n    numbering: from-1\n    refresh: 500 ms\n    channels:\n"
        "      drive_fault_code: {holding: 1, type: u32, words: low-first, values: {4294967295: "
        "\"a 'b' \\\"c\\\"\", 0x10: 7, 2: \"12\"}}\n"
        "      drive_run_state: {holding: 3, type: bits, bits: 14 to 17, words: high-first, "
        "values: {3: tripped}}\n"
        "      motor_energy: {holding: 5, type: m10k32, words: high-first, unit: kWh}\n"
        "      motor_load: {holding: 7, type: u16, unit: \"%\"}\n");
    (void)state;
    is_idempotent(plan);
    check_text("label", plan->wells[0].label, "He said \"7\" \\ # : \xC3\xA9");
    check_count("entries ascend", plan->wells[0].entries[SOURCE_GAUGE][0].unit_id, 2);
    check_count("before 1970", plan->wells[0].entries[SOURCE_DRIVE][0].from_utc_ms, -1);
    check_close("6069.55 ft in m", plan->wells[0].data[0].intake_depth_m, 6069.55 * 0.3048, 1e-9);
    check_count("IPv6 host", strcmp(plan->lines[1].host, "2001:db8::7"), 0);
    check_count("RTU over TCP", plan->lines[2].framing, LINE_FRAMING_RTU);
    check_count("its speed", plan->lines[2].baud, 19200);
    check_count("its listening", plan->lines[2].listen_first_ms, 3000);
    check_count("its t3.5, us", line_quiet_us(&plan->lines[2]), 1823); /* 35 bits, rounded up */
    check_count("echo", plan->lines[0].strip_echo && !plan->lines[1].strip_echo, 1);
    check_count("direction", plan->lines[0].rs485_driver && !plan->lines[2].rs485_driver, 1);
    check_count("default port of a table", plan->destinations[1].port, 1502);
    check_count("default port of mqtt", plan->destinations[0].port, 1883);
    const struct map *set = &plan->maps[1];
    check_count("registers of settings", set->n_unit_registers, 2);
    check_count("bits of a setting", set->unit_settings[0].bit_high, 5);
    check_count("a setting of its own register", set->unit_registers[1].address, 3);
    check_count("governed", map_channel(set, POINT_DISCHARGE_TEMPERATURE)->setting, 2);
    check_count("excepted", map_channel(set, POINT_INTAKE_TEMPERATURE)->setting, 0);
    check_text("a credential", plan->destinations[0].password_file, "broker.pass");
    check_count("a backlog's rate", plan->destinations[0].backlog_at_most, 7);
    check_count("bytes a month", (long long)plan->destinations[0].at_most_a_month, 300500000);
    check_count("a bits field over two registers",
                plan->maps[0].channel[0].point == POINT_DRIVE_RUN_STATE &&
                    plan->maps[0].channel[0].n_words == 2,
                1);
    plan_free(plan);
}

static void canonical_text_keeps_names_of_dashes(void **state)
{
    struct plan *plan = good("site: \"-\"\nbox: \"---\"\nlines:\n  \"-\": {tcp: h}\nwells:\n  "
                             "\"--\":\n    table_block: 0\n    sources:\n"
                             "      drive: [{from: 2031-01-10T08:00:00Z, line: \"-\", unit_id: 1, "
                             "map: \"-\"}]\nmaps:\n  \"-\":\n    map: \"-\"\n"
                             "    numbering: from-0\n    refresh: 1 s\n    channels:\n      "
                             "drive_frequency: {input: 1, type: u16, unit: Hz}\n");
    (void)state;
    is_idempotent(plan);
    plan_free(plan);
}

static void a_change_of_one_scale_changes_the_digest(void **state)
{
    struct plan *a = good(HEAD WELL MAP), *b;
    char *text = strdup(HEAD WELL MAP);
    (void)state;
    *strstr(text, "0.001") = '1';
    b = good(text);
    assert_string_not_equal(a->digest, b->digest);
    plan_free(a);
    plan_free(b);
    free(text);
}

static void comments_and_order_of_keys_do_not_change_the_digest(void **state)
{
    struct plan *a = good(HEAD WELL MAP);
    struct plan *b =
        good("# other\nbox: b\nsite: s\n" MAP "lines:\n  l: {frame: 8N1, speed: 9600 baud, serial: "
             "/dev/x, response_timeout: 1000 ms}\n" WELL);
    (void)state;
    check_text("digest", b->digest, a->digest);
    plan_free(a);
    plan_free(b);
}

/* Our own rule: 2 x poll + refresh + one round (one missed poll is allowed). */
static void the_stale_limit_is_the_sum_where_none_is_stated(void **state)
{
    struct plan *plan = good(HEAD WELL MAP);
    (void)state;
    const struct source_entry *entry = plan->wells[0].entries[SOURCE_GAUGE];
    check_count("2 x 10 s + 28 s + round", entry->stale_limit_ms, 48000 + plan_round_ms(plan, 0));
    check_count("not stated", entry->stale_limit_stated, 0);
    /* T(1) = 15 x 10 bits / 9600 + 2 x t3.5 = 15.625 + 7.292 ms, and 50 ms of delay; the probe
     * twice 1 s. */
    check_count("round, ms", plan_round_ms(plan, 0), 2000 + 73);
    plan_free(plan);
}

static void a_scan_is_measured_with_the_entry_of_its_time(void **state)
{
    struct plan *plan =
        good(HEAD "wells:\n  w:\n    table_block: 0\n    sources:\n      gauge:\n"
                  "        - {from: 2031-01-10T08:00:00Z, line: l, unit_id: 1, map: m}\n"
                  "        - {from: 2031-02-10T08:00:00Z, line: l, unit_id: 2, map: m}\n" MAP);
    const int64_t change = plan->wells[0].entries[SOURCE_GAUGE][1].from_utc_ms;
    (void)state;
    check_count("long before", plan_entry_at(&plan->wells[0], SOURCE_GAUGE, 0)->unit_id, 1);
    check_count("1 ms before", plan_entry_at(&plan->wells[0], SOURCE_GAUGE, change - 1)->unit_id,
                1);
    check_count("at the change", plan_entry_at(&plan->wells[0], SOURCE_GAUGE, change)->unit_id, 2);
    assert_null(plan_entry_at(&plan->wells[0], SOURCE_DRIVE, change));
    plan_number_well(plan, 0, 4711);
    check_text("by number", plan_well_by_number(plan, 4711)->id, "w");
    assert_null(plan_well_by_number(plan, 0));
    plan_free(plan);
}

static void entries_one_after_the_other_may_share_a_unit_id_and_a_point(void **state)
{
    struct plan *plan =
        good(HEAD "wells:\n  w:\n    table_block: 0\n    sources:\n      gauge:\n"
                  "        - {from: 2031-01-10T08:00:00Z, line: l, unit_id: 1, map: m}\n"
                  "        - {from: 2031-02-10T08:00:00Z, line: l, unit_id: 1, map: m}\n" MAP);
    (void)state;
    plan_free(plan);
}

/* Source: Modbus over Serial Line V1.02, 2.5.1.1: 3.5 characters, 1.750 ms above 19200 bit/s. */
static void the_quiet_time_is_that_of_the_standard(void **state)
{
    struct line_plan line = {
        .medium = LINE_MEDIUM_SERIAL, .baud = 9600, .data_bits = 8, .parity = 'N', .stop_bits = 1};
    (void)state;
    check_count("8N1", line_bits_per_character(&line), 10);
    check_count("9600 8N1: 35 bits, rounded up", line_quiet_us(&line), 3646);
    line.parity = 'E';
    check_count("8E1", line_bits_per_character(&line), 11);
    check_count("9600 8E1: 38.5 bits, rounded up", line_quiet_us(&line), 4011);
    line.baud = 38400;
    check_count("above 19200", line_quiet_us(&line), 1750);
}

/* Units and resolutions of the table of points; own units by kind. */
static void a_destination_sends_its_own_units(void **state)
{
    struct unit_choice choice = {.set = UNITS_US};
    double resolution;
    (void)state;
    check_text("us pressure",
               unit_get(unit_choice_of(&choice, POINT_INTAKE_PRESSURE, &resolution))->name, "psi");
    check_close("0.1 psi", resolution, 0.1, 0);
    choice.set = UNITS_METRIC;
    check_text("metric",
               unit_get(unit_choice_of(&choice, POINT_INTAKE_PRESSURE, &resolution))->name, "kPa");
    check_close("1 kPa", resolution, 1, 0);
    choice.set = UNITS_OWN;
    choice.by_kind[QUANTITY_PRESSURE] = unit_find("MPa", 3, QUANTITY_PRESSURE);
    check_text("own", unit_get(unit_choice_of(&choice, POINT_INTAKE_PRESSURE, &resolution))->name,
               "MPa");
    check_close("1 kPa is 0.001 MPa", resolution, 0.001, 0);
    choice.by_kind[QUANTITY_PRESSURE] = unit_find("kgf/cm2", 7, QUANTITY_PRESSURE);
    (void)unit_choice_of(&choice, POINT_INTAKE_PRESSURE, &resolution);
    check_close("1 kPa is 0.010197 kgf/cm2: 0.01", resolution, 0.01, 0);
    choice.by_kind[QUANTITY_TEMPERATURE] = unit_find("K", 1, QUANTITY_TEMPERATURE);
    (void)unit_choice_of(&choice, POINT_INTAKE_TEMPERATURE, &resolution);
    check_close("0.1 degC is 0.1 K", resolution, 0.1, 0);
    check_text("a kind that isn't listed",
               unit_get(unit_choice_of(&choice, POINT_DRIVE_FREQUENCY, &resolution))->name, "Hz");
}

static enum up_rc with_secret(const char *path)
{
    char config[] = "/tmp/uphole-secret-XXXXXX";
    struct plan *plan = NULL;
    FILE *file = fdopen(mkstemp(config), "w");
    assert_non_null(file);
    (void)fprintf(file, "%s",
                  HEAD WELL MAP
                  "destinations:\n  d: {mqtt: \"mqtts://b.example\", user: u, password_file: ");
    (void)fprintf(file, "\"%s\"}\n", path);
    (void)fclose(file);
    const enum up_rc rc = plan_from_file(config, NULL, &plan, &faults);
    (void)remove(config);
    if (plan) {
        assert_null(strstr(plan->text, "swordfish"));
        assert_non_null(strstr(plan->text, path));
    }
    plan_free(plan);
    return rc;
}

/* Planted defect that this must catch: no look at the mode of a secret's file. */
static void a_secret_that_others_can_read_is_refused(void **state)
{
    char path[] = "/tmp/uphole-password-XXXXXX";
    const int fd = mkstemp(path);
    (void)state;
    assert_int_equal(write(fd, "swordfish\n", 10), 10);
    (void)close(fd);
    (void)chmod(path, 0400);
    check_count("0400", with_secret(path), UP_OK);
    (void)chmod(path, 0640);
    check_count("0640", with_secret(path), UP_E_CONFIG);
    assert_non_null(strstr(faults.fault[0].text, "can be read by others; expected `chmod 0400`"));
    (void)chmod(path, 0604);
    check_count("0604", with_secret(path), UP_E_CONFIG);
    (void)remove(path);
    check_count("not there yet", with_secret(path), UP_OK);
    check_count("a directory", with_secret("/tmp"), UP_E_CONFIG);
}

static void a_text_without_its_maps_is_refused_without_a_look_at_files(void **state)
{
    (void)state;
    refused(HEAD WELL, "map `m` doesn't stand below `maps:` of this text");
}

static void a_relayed_gauge_may_share_the_drives_unit_id(void **state)
{
    struct plan *plan =
        good(HEAD "wells:\n  w:\n    table_block: 0\n    sources:\n"
                  "      gauge: [{from: 2031-01-10T08:00:00Z, line: l, unit_id: 1, map: m}]\n"
                  "      drive: [{from: 2031-01-10T08:00:00Z, line: l, unit_id: 1, map: d}]\n" MAP
                  "    relayed_by: drive\n  d:\n    map: d\n    numbering: from-0\n    refresh: 1 "
                  "s\n    channels:\n"
                  "      drive_frequency: {holding: 1, type: u16, unit: Hz}\n");
    (void)state;
    plan_free(plan);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_example_configuration_is_good),
        cmocka_unit_test(canonical_text_gives_the_same_plan),
        cmocka_unit_test(canonical_text_keeps_awkward_values),
        cmocka_unit_test(canonical_text_keeps_names_of_dashes),
        cmocka_unit_test(a_change_of_one_scale_changes_the_digest),
        cmocka_unit_test(comments_and_order_of_keys_do_not_change_the_digest),
        cmocka_unit_test(the_stale_limit_is_the_sum_where_none_is_stated),
        cmocka_unit_test(a_scan_is_measured_with_the_entry_of_its_time),
        cmocka_unit_test(entries_one_after_the_other_may_share_a_unit_id_and_a_point),
        cmocka_unit_test(the_quiet_time_is_that_of_the_standard),
        cmocka_unit_test(a_destination_sends_its_own_units),
        cmocka_unit_test(a_secret_that_others_can_read_is_refused),
        cmocka_unit_test(a_text_without_its_maps_is_refused_without_a_look_at_files),
        cmocka_unit_test(a_relayed_gauge_may_share_the_drives_unit_id),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
