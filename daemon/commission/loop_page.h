/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_page.h - the parts of a loop check's page: loop_page.c puts it together, loop_page_tables.c
 * prints its two tables.
 */
#ifndef UPHOLE_COMMISSION_LOOP_PAGE_H
#define UPHOLE_COMMISSION_LOOP_PAGE_H

#include "uphole/loop.h"

/** Escaped. */
void page_text(FILE *out, const char *text);
void page_time(FILE *out, int64_t utc_ms);
void page_channels(FILE *out, const struct loop_record *record);
void page_outages(FILE *out, const struct loop_record *record);

#endif
