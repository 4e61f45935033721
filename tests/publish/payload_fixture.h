/* SPDX-License-Identifier: Apache-2.0
 *
 * payload_fixture.h - an invented site for the tests of payloads: two wells, a gauge and a drive,
 * three brokers with different units.
 */
#ifndef UPHOLE_TESTS_PAYLOAD_FIXTURE_H
#define UPHOLE_TESTS_PAYLOAD_FIXTURE_H

#include "uphole/plan.h"
#include "uphole/publish.h"

#define FIXTURE_RUN 0x9f3c61d2a07b44e8u
#define FIXTURE_DIGEST 0x5b1e07aau
#define FIXTURE_UTC_MS 1930111205120 /* 2031-03-01T06:00:05.120Z, by date(1) */
#define FIXTURE_WELL 7               /* the journal's number of heron-7; heron-8 is 8 */

enum { TO_METRIC = 0, TO_US, TO_OWN, TO_COUNT };

/** Read from configuration and the shipped maps; numbered; digest set to FIXTURE_DIGEST. Fails the
 * test on any fault. */
struct plan *payload_plan(void);
struct record payload_record_of(uint8_t source, uint64_t seq);
void payload_add(struct record *record, uint16_t point, double value, uint8_t quality, float age_s);

#endif
