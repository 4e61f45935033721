/* SPDX-License-Identifier: Apache-2.0
 *
 * table.h - the Modbus TCP registers offered to SCADA: one constant layout, from which docs, CSV and `uphole table` come too; the image of a
 * view (pure); a request's bytes to an answer's bytes (pure). Monitoring only, not for trips, interlocks or closed-loop control.
 */
#ifndef UPHOLE_TABLE_H
#define UPHOLE_TABLE_H

#include "uphole/pdu.h"
#include "uphole/plan.h"
#include "uphole/scan.h"

#define TABLE_BLOCK_REGISTERS 512
#define TABLE_FIRST_SLOT 32
#define TABLE_SLOT_REGISTERS 4
#define TABLE_LAYOUT_VERSION 1

/** Well-side state that stands in a block's header beside the snapshot. */
struct table_header {
    uint8_t delivery, clock, journaled;
    uint32_t heartbeat, waiting;
    uint16_t gaps_open, days_left;
};

/** The registers of all views of one destination, big-endian as on the wire. */
struct table_image; /* opaque */
struct table_image *table_image_create(const struct plan *plan, const struct destination_plan *destination);
void table_image_destroy(struct table_image *image);
/** Rewrites the block of the snapshot's well in every view, ages as of now_boot_ms; counts the image counter when anything but ages changed. */
void table_image_put(struct table_image *image, const struct snapshot *snapshot, const struct table_header *header,
                     int64_t now_boot_ms);
/**
 * Answers one request PDU for `unit_id` out of the image: functions 03, 04 and 2B/0E; every other exception 01. Returns the answer PDU's length
 * (always > 0 for n >= 1).
 */
size_t table_answer(const struct table_image *image, uint8_t unit_id, const uint8_t *request, size_t n,
                    uint8_t answer[static PDU_MAX]);
/** Register (from 0) of a view's block, for tests: 0 where there is none. */
uint16_t table_image_register(const struct table_image *image, uint8_t unit_id, uint16_t address);

enum table_form { TABLE_TEXT = 1, TABLE_CSV, TABLE_MARKDOWN, TABLE_JSON };
/** Prints the layout of a destination (of every well of the plan), from the same constants that serve it. `plan` NULL: the generic layout, for docs. */
void table_print(void *stream /* FILE */, const struct plan *plan, const struct destination_plan *destination, enum table_form form);

#endif
