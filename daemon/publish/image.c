/* SPDX-License-Identifier: Apache-2.0
 *
 * image.c - every view's registers, encoded when something changes, so that a request is answered
 * by one copy.
 *
 * A block is rewritten as a whole from one snapshot: value, quality and age of a point always
 * belong together. The image belongs to one thread. Ages are brought up to the moment of asking, to
 * the millisecond, by image_age.
 */
#include "image.h"

#include "layout.h"
#include "show.h"

#include "uphole/wire.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define BLOCK_BYTES (2 * TABLE_BLOCK_REGISTERS)

struct table_image {
    const struct plan *plan;
    const struct destination_plan *destination;
    uint32_t n_registers;
    int16_t block_well[TABLE_BLOCKS_MAX]; /* index of the well, -1 none */
    int view_of[256];                     /* by unit id, -1 none */
    struct image_block *block;            /* a well of the plan */
    uint8_t *bytes[VIEWS_MAX];
    uint8_t *scratch[VIEWS_MAX];                  /* one block a view */
    struct conversion (*conversion)[POINT_COUNT]; /* a view */
    bool changes_by_itself[TABLE_BLOCK_REGISTERS];
    struct shown_block shown; /* scratch */
};

/* ---- making it ---- */

static void set_up_views(struct table_image *image)
{
    for (unsigned id = 0; id < 256; id++)
        image->view_of[id] = -1;
    for (unsigned v = 0; v < image->destination->n_views; v++) {
        const struct view *view = &image->destination->views[v];
        image->view_of[view->unit_id] = (int)v;
        for (unsigned point = 1; point < POINT_COUNT; point++) {
            double resolution; /* float32 goes out as it is */
            unit_number to = unit_choice_of(&view->units, point, &resolution);
            const struct decimal one = {1, 0}, zero = {0, 0};
            if (conversion_make(one, zero, point_unit(point), to, &image->conversion[v][point],
                                NULL) != UP_OK)
                image->conversion[v][point] = (struct conversion){1, 0, 1};
        }
    }
    if (image->view_of[0] < 0)
        image->view_of[0] = image->view_of[1];
    if (image->view_of[255] < 0)
        image->view_of[255] = image->view_of[1];
}

static bool allocate(struct table_image *image)
{
    unsigned n_views = image->destination->n_views;
    image->conversion = calloc(n_views > 0 ? n_views : 1, sizeof *image->conversion);
    image->block =
        calloc(image->plan->n_wells > 0 ? image->plan->n_wells : 1, sizeof *image->block);
    if (image->conversion == NULL || image->block == NULL)
        return false;
    for (unsigned v = 0; v < n_views; v++) {
        image->bytes[v] = calloc(image->n_registers + 1, 2);
        image->scratch[v] = calloc(1, BLOCK_BYTES);
        if (image->bytes[v] == NULL || image->scratch[v] == NULL)
            return false;
    }
    return true;
}

struct table_image *table_image_create(const struct plan *plan,
                                       const struct destination_plan *destination)
{
    struct table_image *image = calloc(1, sizeof *image);
    if (image == NULL)
        return NULL;
    image->plan = plan;
    image->destination = destination;
    for (unsigned b = 0; b < TABLE_BLOCKS_MAX; b++)
        image->block_well[b] = -1;
    for (uint16_t w = 0; w < plan->n_wells; w++) {
        uint32_t block = plan->wells[w].table_block;
        if (block >= TABLE_BLOCKS_MAX)
            continue;
        image->block_well[block] = (int16_t)w;
        if ((block + 1) * TABLE_BLOCK_REGISTERS > image->n_registers)
            image->n_registers = (block + 1) * TABLE_BLOCK_REGISTERS;
    }
    if (!allocate(image)) {
        table_image_destroy(image);
        return NULL;
    }
    set_up_views(image);
    for (uint16_t r = 0; r < TABLE_BLOCK_REGISTERS; r++)
        image->changes_by_itself[r] = layout_changes_by_itself(r);
    const struct table_header nothing = {0};
    for (uint16_t w = 0; w < plan->n_wells; w++) {
        image->block[w].well = &plan->wells[w];
        show_note_mapped(&image->block[w], plan);
        image_put_header(image, w, &nothing, 0);
    }
    return image;
}

void table_image_destroy(struct table_image *image)
{
    if (image == NULL)
        return;
    for (unsigned v = 0; v < VIEWS_MAX; v++) {
        free(image->bytes[v]);
        free(image->scratch[v]);
    }
    free(image->conversion);
    free(image->block);
    free(image);
}

/* ---- registers ---- */

static void put_field(uint8_t *block, const struct field_row *row, unsigned base, uint64_t value,
                      uint8_t word_order)
{
    uint16_t words[4];
    put_registers(words, row->words, word_order, BYTES_HIGH_FIRST, value);
    for (unsigned i = 0; i < row->words; i++)
        put_u16(block + 2 * (base + row->at + i), words[i]);
}

static uint32_t value_bits(const struct view *view, const struct conversion *conversion,
                           struct shown *shown)
{
    double value = shown->value;
    if (isnan(value) && view->missing_as == 1)
        value = shown->last;
    if (!isnan(value)) {
        float sent = (float)conversion_apply(conversion, value) + 0.0f; /* no minus zero */
        if (isfinite(sent))
            return float_to_bits(sent);
        shown->quality = QUALITY_IMPOSSIBLE;
    }
    if (view->missing_as == 2)
        return float_to_bits((float)view->missing_number);
    return TABLE_NAN_BITS;
}

static void encode_view(struct table_image *image, unsigned v, uint16_t counter, uint8_t *into)
{
    const struct view *view = &image->destination->views[v];
    struct shown_block *shown = &image->shown;
    shown->field[FIELD_IMAGE_COUNTER] = counter;
    shown->field[FIELD_UNIT_SET] = view->units.set;
    for (unsigned f = 0; f < FIELD_COUNT; f++)
        put_field(into, layout_field((enum field)f), 0, shown->field[f], view->words);
    for (unsigned p = 1; p < POINT_COUNT; p++) {
        struct shown point = shown->point[p];
        unsigned base = layout_slot(p);
        uint32_t bits = value_bits(view, &image->conversion[v][p], &point);
        put_field(into, layout_slot_part(SLOT_VALUE), base, bits, view->words);
        put_field(into, layout_slot_part(SLOT_QUALITY), base, point.quality, view->words);
        put_field(into, layout_slot_part(SLOT_AGE), base, point.age, view->words);
    }
}

static uint8_t *block_bytes(const struct table_image *image, unsigned v,
                            const struct image_block *block)
{
    return image->bytes[v] + (size_t)block->well->table_block * BLOCK_BYTES;
}

static bool differs(const struct table_image *image, const uint8_t *a, const uint8_t *b)
{
    for (unsigned r = 0; r < layout_used(); r++) {
        if (!image->changes_by_itself[r] && get_u16(a + 2 * r) != get_u16(b + 2 * r))
            return true;
    }
    return false;
}

static void encode_block(struct table_image *image, struct image_block *block, int64_t now_boot_ms)
{
    if (block->well->table_block >= TABLE_BLOCKS_MAX)
        return;
    show_block(block, now_boot_ms, &image->shown);
    bool changed = false;
    unsigned n_views = image->destination->n_views;
    for (unsigned v = 0; v < n_views; v++) {
        encode_view(image, v, block->counter, image->scratch[v]);
        changed = changed || differs(image, image->scratch[v], block_bytes(image, v, block));
    }
    if (changed)
        block->counter++;
    for (unsigned v = 0; v < n_views; v++) {
        put_field(image->scratch[v], layout_field(FIELD_IMAGE_COUNTER), 0, block->counter,
                  image->destination->views[v].words);
        memcpy(block_bytes(image, v, block), image->scratch[v], 2u * layout_used());
    }
    block->aged_boot_ms = now_boot_ms;
}

void table_image_put(struct table_image *image, const struct snapshot *snapshot,
                     const struct table_header *header, int64_t now_boot_ms)
{
    const struct well_plan *well = plan_well_by_number(image->plan, snapshot->well);
    if (well == NULL)
        return;
    struct image_block *block = &image->block[well - image->plan->wells];
    block->has_snapshot = true;
    block->snapshot = *snapshot;
    block->header = *header;
    encode_block(image, block, now_boot_ms);
}

void image_put_header(struct table_image *image, uint16_t index, const struct table_header *header,
                      int64_t now_boot_ms)
{
    image->block[index].header = *header;
    encode_block(image, &image->block[index], now_boot_ms);
}

void image_go_on(struct table_image *image, const struct table_image *before)
{
    for (uint16_t w = 0; w < image->plan->n_wells; w++) {
        struct image_block *block = &image->block[w];
        const struct well_plan *was = plan_well_by_number(before->plan, block->well->number);
        if (was == NULL || was->table_block != block->well->table_block ||
            was->table_block >= TABLE_BLOCKS_MAX)
            continue;
        const struct image_block *old = &before->block[was - before->plan->wells];
        block->counter = old->counter;
        for (unsigned v = 0; v < image->destination->n_views && v < before->destination->n_views;
             v++)
            memcpy(block_bytes(image, v, block), block_bytes(before, v, old), BLOCK_BYTES);
    }
}

/* ---- ages ---- */

/** A reading that has turned stale since the block was encoded. */
static bool turns_stale(const struct image_block *block, int64_t now_boot_ms)
{
    double age_s;
    for (unsigned i = 0; i < block->snapshot.n && i < RECORD_READINGS_MAX; i++) {
        const struct live_reading *reading = &block->snapshot.reading[i];
        if (live_quality_at(reading, now_boot_ms, &age_s) !=
            live_quality_at(reading, block->aged_boot_ms, &age_s))
            return true;
    }
    return false;
}

static void age_block(struct table_image *image, struct image_block *block, int64_t now_boot_ms)
{
    if (now_boot_ms == block->aged_boot_ms)
        return;
    if (turns_stale(block, now_boot_ms)) {
        encode_block(image, block, now_boot_ms);
        return;
    }
    uint16_t age_at = layout_slot_part(SLOT_AGE)->at;
    for (unsigned v = 0; v < image->destination->n_views; v++) {
        uint8_t *bytes = block_bytes(image, v, block);
        put_u16(bytes + 2 * layout_field(FIELD_SCAN_AGE)->at, show_scan_age(block, now_boot_ms));
        for (unsigned i = 0; i < block->snapshot.n && i < RECORD_READINGS_MAX; i++) {
            const struct live_reading *reading = &block->snapshot.reading[i];
            if (reading->point >= 1 && reading->point < POINT_COUNT)
                put_u16(bytes + 2 * (layout_slot(reading->point) + age_at),
                        show_reading_age(reading, now_boot_ms));
        }
    }
    block->aged_boot_ms = now_boot_ms;
}

void image_age(struct table_image *image, uint32_t first, uint32_t count, int64_t now_boot_ms)
{
    if (count == 0)
        return;
    uint32_t last = (first + count - 1) / TABLE_BLOCK_REGISTERS;
    for (uint32_t b = first / TABLE_BLOCK_REGISTERS; b <= last && b < TABLE_BLOCKS_MAX; b++) {
        if (image->block_well[b] >= 0)
            age_block(image, &image->block[image->block_well[b]], now_boot_ms);
    }
}

/* ---- reading it ---- */

int image_view_of(const struct table_image *image, uint8_t unit)
{
    return image->view_of[unit];
}

uint32_t image_registers(const struct table_image *image)
{
    return image->n_registers;
}

const uint8_t *image_bytes(const struct table_image *image, int view)
{
    return image->bytes[view];
}

const struct well_plan *image_well(const struct table_image *image, unsigned block)
{
    if (block >= TABLE_BLOCKS_MAX || image->block_well[block] < 0)
        return NULL;
    return image->block[image->block_well[block]].well;
}

uint16_t table_image_register(const struct table_image *image, uint8_t unit, uint16_t address)
{
    int view = image_view_of(image, unit);
    if (view < 0 || address >= image->n_registers)
        return 0;
    return get_u16(image->bytes[view] + 2u * address);
}
