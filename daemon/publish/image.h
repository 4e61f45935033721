/* SPDX-License-Identifier: Apache-2.0
 *
 * image.h - what answer.c and the server need of an image beside the front door: bytes, objects,
 * ages at the moment of asking.
 */
#ifndef UPHOLE_PUBLISH_IMAGE_H
#define UPHOLE_PUBLISH_IMAGE_H

#include "uphole/table.h"

/** Index of the view that answers `unit` (0 and 255: that of unit id 1); -1: none does. */
int image_view_of(const struct table_image *image, uint8_t unit);
/** Registers of each view: 512 x (highest block + 1). */
uint32_t image_registers(const struct table_image *image);
/** A view's registers, big-endian. */
const uint8_t *image_bytes(const struct table_image *image, int view);
/** The well that has block `block`; NULL: none. */
const struct well_plan *image_well(const struct table_image *image, unsigned block);

/** As table_image_put with the snapshot that the image holds already; `index` is the well's index
 * in the plan. */
void image_put_header(struct table_image *image, uint16_t index, const struct table_header *header,
                      int64_t now_boot_ms);
/**
 * The image of a new plan goes on where `before`, that of the old plan, ended: in a block that is
 * the same well's in both, the counter goes on, and only what differs counts. Call it before the
 * first table_image_put; every block is then to be put, or given its header, at once.
 */
void image_go_on(struct table_image *image, const struct table_image *before);
/** Brings the ages (and what turns stale by them) of the blocks under registers [first, first +
 * count) to `now_boot_ms`. */
void image_age(struct table_image *image, uint32_t first, uint32_t count, int64_t now_boot_ms);

#endif
