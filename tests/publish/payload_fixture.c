/* SPDX-License-Identifier: Apache-2.0
 *
 * payload_fixture.c - an invented site for the tests of payloads.
 */
#include "payload_fixture.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char CONFIGURATION[] =
    "site: heron-ridge\n"
    "box: heron-edge-1\n"
    "lines:\n"
    "  pad-line: {tcp: 192.0.2.7:502}\n"
    "wells:\n"
    "  heron-7:\n"
    "    label: Heron 7\n"
    "    table_block: 0\n"
    "    sources:\n"
    "      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
    "poll_every: 10 s, confirmed_units: all}\n"
    "      drive:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 2, map: drive-a, poll_every: "
    "10 s}\n"
    "  heron-8:\n"
    "    label: \"Heron \\\"8\\\" \\\\ 80 \\u00B0C\"\n"
    "    table_block: 1\n"
    "    sources:\n"
    "      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 3, map: scaled-16, "
    "poll_every: 10 s, confirmed_units: all}\n"
    "destinations:\n"
    "  plant-broker: {mqtt: \"mqtt://127.0.0.1:1883\", topic_root: uphole, units: "
    "metric, latest_every: 60 s}\n"
    "  us-broker: {mqtt: \"mqtt://127.0.0.1:1884\", topic_root: uphole, units: us, "
    "latest_every: 60 s}\n"
    "  own-broker: {mqtt: \"mqtt://127.0.0.1:1885\", topic_root: uphole,\n"
    "    units: {pressure: kgf/cm2, temperature: degF, acceleration: g, resistance: Mohm}, "
    "latest_every: 60 s}\n"
    "journal: {path: /var/lib/uphole, keep: 400 days, at_most: 2 GB}\n";

static void give_up(const char *what)
{
    fprintf(stderr, "payload fixture: %s\n", what);
    abort();
}

struct plan *payload_plan(void)
{
    static struct plan_faults faults;
    char path[] = "/tmp/uphole-payload-XXXXXX";
    int fd = mkstemp(path);
    if (fd < 0 ||
        write(fd, CONFIGURATION, sizeof CONFIGURATION - 1) != (ssize_t)sizeof CONFIGURATION - 1)
        give_up("no temporary file");
    close(fd);
    struct plan *plan = NULL;
    enum up_rc rc = plan_from_file(path, UPHOLE_SOURCE_DIR "/config/maps", &plan, &faults);
    unlink(path);
    if (rc != UP_OK)
        give_up(faults.n > 0 ? faults.fault[0].text : "no plan");
    plan_number_well(plan, 0, FIXTURE_WELL);
    plan_number_well(plan, 1, FIXTURE_WELL + 1);
    plan->digest_32 = FIXTURE_DIGEST;
    memcpy(plan->digest, "5b1e07aa", 8);
    return plan;
}

struct record payload_record_of(uint8_t source, uint64_t seq)
{
    return (struct record){
        .pos = seq,
        .run = FIXTURE_RUN,
        .seq = seq,
        .after_run = seq > 1 ? FIXTURE_RUN : 0,
        .after_seq = seq - 1,
        .plan = 1,
        .plan_digest = FIXTURE_DIGEST,
        .measure_version = 1,
        .at = {.utc_ms = FIXTURE_UTC_MS, .boot_ms = 1000, .clock = CLOCK_STATE_SYNCHRONISED},
        .well = FIXTURE_WELL,
        .source = source,
        .outcome = OUTCOME_ANSWERED};
}

void payload_add(struct record *record, uint16_t point, double value, uint8_t quality, float age_s)
{
    record->reading[record->n++] =
        (struct reading){.point = point, .quality = quality, .age_s = age_s, .value = value};
}
