/* SPDX-License-Identifier: Apache-2.0
 *
 * check_map.c - `uphole check --map`: one map file, shown as a table to hold beside the surface
 * unit's document.
 */
#include "check.h"

#include <stdlib.h>

static void channel_type(const struct channel *channel, char into[static 48])
{
    const char *type = register_type_name(channel->type);
    const char *words = channel->words == WORDS_LOW_FIRST ? "low word first" : "high word first";
    const char *bytes = channel->bytes == BYTES_LOW_FIRST ? ", bytes swapped" : "";
    if (channel->has_bits)
        (void)snprintf(into, 48, "%s %u to %u", type, channel->bit_low, channel->bit_high);
    else if (channel->n_words > 1 && channel->type != TYPE_TEXT)
        (void)snprintf(into, 48, "%s, %s%s", type, words, bytes);
    else
        (void)snprintf(into, 48, "%s%s", type, bytes);
}

static void channel_show(FILE *out, const struct channel *channel)
{
    static const struct {
        const char *name;
        unsigned printed; /* common practice: the table's digit before a number counted from 1 */
    } TABLES[] = {
        {"", 0}, {"coil", 0}, {"discrete", 100000}, {"holding", 400000}, {"input", 300000}};
    static const char *const REFERENCES[] = {"", " absolute", " gauge", " (reference unknown)"};
    char type[48], markers[80] = "";
    size_t used = 0;
    channel_type(channel, type);
    for (int i = 0; i < channel->n_markers && used + 24 < sizeof markers; i++) {
        used += (size_t)snprintf(markers + used, sizeof markers - used, "%s", i ? ", " : "");
        for (int w = 0; w < channel->not_fitted[i].n_words; w++)
            used += (size_t)snprintf(markers + used, sizeof markers - used, "%s0x%04X",
                                     w ? " " : "", channel->not_fitted[i].words[w]);
    }
    fprintf(out, "%-28s %-8s %5u  %06u  %-22s %s%s%s%s\n", point_get(channel->point)->id,
            TABLES[channel->table].name, channel->address,
            TABLES[channel->table].printed + channel->address + 1u, type,
            channel->unit ? unit_get(channel->unit)->name : "-", REFERENCES[channel->reference],
            markers[0] ? "; not fitted: " : "", markers);
}

enum up_rc check_map(FILE *out, const char *path, struct plan_faults *faults)
{
    struct map *map = NULL;
    const enum up_rc rc = map_from_file(path, &map, faults);
    if (rc != UP_OK)
        return rc;
    fprintf(out, "%s is good: map %s, %u channels.\n\n%-28s %-8s %5s  %-6s  %-22s %s\n", path,
            map->name, map->n_channels, "point", "table", "wire", "print", "type",
            "unit; markers as they stand in the registers");
    for (int i = 0; i < map->n_channels; i++)
        channel_show(out, &map->channel[i]);
    fprintf(out, "\n`wire` counts from 0 as the wire does; `print` is the same register as "
                 "documents print it. Compare both with the "
                 "surface unit's document.\n");
    free(map);
    return UP_OK;
}
