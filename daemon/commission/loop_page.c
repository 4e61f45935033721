/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_page.c - a loop check's record as one page to print and to sign: plain HTML, no script,
 * nothing loaded from elsewhere. Every text that is not ours is escaped.
 *
 * One sheet of A4 or Letter takes about thirty channels; beyond that the table goes on with its
 * heading on the next.
 */
#include "loop_page.h"

#include <inttypes.h>
#include <math.h>
#include <string.h>

static const char STYLE[] =
    "@page{margin:10mm 11mm}"
    "*{box-sizing:border-box}"
    "body{margin:0 auto;max-width:196mm;font:7.6pt/1.28 'Liberation Sans','DejaVu "
    "Sans',Arial,sans-serif;color:#000;background:#fff}"
    "h1{font-size:15pt;line-height:1.1;margin:0}"
    "h2{font-size:8.6pt;margin:2.6mm 0 .8mm;border-bottom:.3mm solid #000}"
    "header{display:flex;justify-content:space-between;align-items:flex-start;gap:6mm}"
    "header p{margin:.6mm 0 0}"
    ".sum{border:.5mm solid #000;padding:1.2mm 3mm;text-align:center;white-space:nowrap}"
    ".sum b{display:block;font-size:13pt;line-height:1.15}"
    ".proves{border-left:1.2mm solid #000;padding:.5mm 2.5mm;margin:2mm 0 1.6mm;font-size:8.4pt}"
    ".proves b{display:block}"
    "dl{display:grid;grid-template-columns:max-content 1fr max-content 1fr;gap:.25mm "
    "2.5mm;margin:0}"
    "dt{color:#333}dd{margin:0;overflow-wrap:anywhere}dd.wide{grid-column:2/-1}"
    ".hex{font-family:'Liberation Mono','DejaVu Sans Mono',monospace;font-size:6.6pt}"
    "table{border-collapse:collapse;width:100%}"
    "th,td{text-align:left;vertical-align:top;padding:.45mm 1.3mm .45mm "
    "0;border-bottom:.15mm solid #999}"
    "th{font-weight:bold;border-bottom:.3mm solid #000}"
    "td.n,th.n{text-align:right;white-space:nowrap}"
    "td.r{font-weight:bold;white-space:nowrap}"
    "tr{break-inside:avoid}"
    "td small,dd small{font-size:6.6pt;color:#222}"
    "ul{margin:0;padding-left:3.6mm}"
    ".sign{display:grid;grid-template-columns:1fr 1fr;gap:9mm;margin-top:3mm;break-inside:avoid}"
    ".sign p{margin:0 0 1mm}"
    ".line{display:grid;grid-template-columns:16mm 1fr;align-items:end;margin-top:4.6mm}"
    ".line span:last-child{border-bottom:.25mm solid #000;height:1em}"
    "footer{margin-top:2mm;font-size:6.4pt;color:#333}"
    "@media screen{body{padding:8mm}}";

void page_text(FILE *out, const char *text)
{
    for (const char *at = text; *at != '\0'; at++)
        switch (*at) {
        case '&':
            fputs("&amp;", out);
            break;
        case '<':
            fputs("&lt;", out);
            break;
        case '>':
            fputs("&gt;", out);
            break;
        case '"':
            fputs("&quot;", out);
            break;
        case '\'':
            fputs("&#39;", out);
            break;
        default:
            if ((unsigned char)*at >= 0x20 && *at != 0x7F)
                fputc(*at, out);
        }
}

void page_time(FILE *out, int64_t utc_ms)
{
    char text[STAMP_TEXT_MAX];
    fputs(utc_ms == 0 ? "&ndash;" : stamp_to_short_text(utc_ms, text), out);
}

/* ---- the head ---- */

static void fact(FILE *out, const char *name, const char *text, const char *more, bool is_wide)
{
    fprintf(out, "<dt>%s</dt><dd%s>", name, is_wide ? " class=wide" : "");
    page_text(out, text[0] != '\0' ? text : "not stated");
    if (more != NULL && more[0] != '\0') {
        fputs(" <small>", out);
        page_text(out, more);
        fputs("</small>", out);
    }
    fputs("</dd>\n", out);
}

static void digest(FILE *out, const char *name, const char *text)
{
    fprintf(out, "<dt>%s</dt><dd class=\"wide hex\">", name);
    page_text(out, text);
    fputs("</dd>\n", out);
}

static unsigned passed_outages(const struct loop_record *record)
{
    unsigned n = 0;
    for (unsigned i = 0; i < record->n_outages; i++)
        n += record->outage[i].result == LOOP_PASS;
    return n;
}

static void put_head(FILE *out, const struct loop_record *record)
{
    const unsigned not_fitted = loop_count(record, LOOP_NOT_FITTED),
                   skipped = loop_count(record, LOOP_SKIPPED),
                   failed = loop_count(record, LOOP_FAIL);
    fputs("<header><div><h1>Loop check: ", out);
    page_text(out, record->label[0] != '\0' ? record->label : record->well);
    fputs("</h1><p>Well ", out);
    page_text(out, record->well);
    fputs(", site ", out);
    page_text(out, record->site);
    fputs(", box ", out);
    page_text(out, record->box);
    fputs("<br>From ", out);
    page_time(out, record->begun_utc_ms);
    fputs(" to ", out);
    page_time(out, record->ended_utc_ms);
    fputs("; all times are UTC, by this box&#39;s clock (", out);
    page_text(out, record->clock[0] != '\0' ? record->clock : "not known");
    fprintf(out,
            ")</p></div>\n<div class=sum><b>%s</b>%u passed, %u failed, %u not fitted, %u "
            "skipped<br>%u of %d outage tests passed</div></header>\n",
            !record->complete                                          ? "NOT COMPLETE"
            : !loop_has_passed(record)                                 ? "NOT PASSED"
            : skipped > 0 || passed_outages(record) < LOOP_OUTAGES_MAX ? "PASSED IN PART"
                                                                       : "PASSED",
            loop_count(record, LOOP_PASS), failed, not_fitted, skipped, passed_outages(record),
            LOOP_OUTAGES_MAX);
    fputs("<div class=proves><b>", out);
    page_text(out, LOOP_PROVES);
    fputs("</b>", out);
    page_text(out, LOOP_CAUTION);
    fputs(" Values can be late, missing or wrong: check quality and age.</div>\n", out);
}

static void put_source_facts(FILE *out, const struct loop_source *source)
{
    char text[LOOP_TEXT_MAX], more[LOOP_TEXT_MAX], poll[NUMBER_TEXT_MAX], refresh[NUMBER_TEXT_MAX];
    snprintf(text, sizeof text, "%.64s", source->serial_number);
    (void)number_to_text(source->poll_ms / 1000.0, 0, poll);
    (void)number_to_text(source->refresh_ms / 1000.0, 0, refresh);
    snprintf(more, sizeof more, "%s: unit id %u on %s, asked each %s s, refreshes each %s s",
             source_name(source->source), source->unit_id, source->line, poll, refresh);
    fact(out, "Serial number", text, more, true);
    snprintf(text, sizeof text, "Map %.32s", source->map);
    digest(out, text, source->map_digest);
}

static void put_path(FILE *out, const char *name, const struct loop_path *path)
{
    char text[LOOP_TEXT_MAX + PATH_LENGTH_MAX];
    if (path->name[0] == '\0') {
        fact(out, name, path->left_out ? "left out" : "none configured", NULL, true);
        return;
    }
    snprintf(text, sizeof text, "%s, %s", path->name, path->where);
    fact(out, name, text, path->detail, true);
}

static void put_facts(FILE *out, const struct loop_record *record)
{
    char text[64];
    fputs("<dl>\n", out);
    for (unsigned i = 0; i < SOURCE_KINDS; i++)
        if (record->source[i].source != SOURCE_NONE)
            put_source_facts(out, &record->source[i]);
    digest(out, "Configuration", record->plan);
    snprintf(text, sizeof text, "%.23s", record->version);
    fact(out, "Uphole", text, record->versions, true);
    put_path(out, "MQTT", &record->mqtt);
    put_path(out, "Modbus TCP", &record->table);
    fputs("</dl>\n", out);
}

/* ---- what was not done ---- */

static void put_not_done(FILE *out, const struct loop_record *record)
{
    fputs("<h2>What was not done</h2>\n<ul>\n", out);
    for (unsigned i = 0; i < record->n_channels; i++) {
        const struct loop_channel *channel = &record->channel[i];
        if (channel->result != LOOP_SKIPPED && channel->result != LOOP_OPEN)
            continue;
        /* Those with the same reason stand together, at the first of them. */
        bool is_first = true;
        for (unsigned j = 0; j < i && is_first; j++)
            is_first = record->channel[j].result != channel->result ||
                       strcmp(record->channel[j].sentence, channel->sentence) != 0;
        if (!is_first)
            continue;
        fputs("<li>", out);
        const char *before = "";
        for (unsigned j = i; j < record->n_channels; j++)
            if (record->channel[j].result == channel->result &&
                strcmp(record->channel[j].sentence, channel->sentence) == 0) {
                fputs(before, out);
                page_text(out, point_get(record->channel[j].point)->id);
                before = ", ";
            }
        fputs(channel->result == LOOP_OPEN ? ": not checked yet" : ": ", out);
        page_text(out, channel->result == LOOP_OPEN ? "" : channel->sentence);
        fputs("</li>\n", out);
    }
    for (unsigned i = 0; i < record->n_outages; i++)
        if (record->outage[i].result == LOOP_SKIPPED || record->outage[i].result == LOOP_OPEN) {
            fprintf(out,
                    "<li>Outage test &ldquo;%s&rdquo;: ", loop_outage_name(record->outage[i].kind));
            page_text(out, record->outage[i].sentence[0] != '\0' ? record->outage[i].sentence
                                                                 : "not done yet");
            fputs("</li>\n", out);
        }
    if (record->mqtt.left_out || record->table.left_out)
        fprintf(out, "<li>%s%s%s left out by the person&#39;s wish.</li>\n",
                record->mqtt.left_out ? "MQTT" : "",
                record->mqtt.left_out && record->table.left_out ? " and " : "",
                record->table.left_out ? "the Modbus TCP table" : "");
    fputs("<li>Derived points, the table&#39;s other views, and SCADA&#39;s own screens and alarms "
          "are not part of this check.</li>\n</ul>\n",
          out);
}

static void put_stanzas(FILE *out, const struct loop_record *record)
{
    const char *before = "<h2>For the configuration, where it is accepted</h2>\n<p class=hex "
                         "style=\"margin:0\">";
    bool any = false;
    for (unsigned i = 0; i < record->n_channels; i++) {
        if (record->channel[i].stanza[0] == '\0')
            continue;
        fputs(before, out);
        page_text(out, record->channel[i].stanza);
        before = "<br>";
        any = true;
    }
    if (any)
        fputs("</p>\n", out);
}

static void put_sittings(FILE *out, const struct loop_record *record)
{
    fputs("<h2>Sittings</h2>\n<ul>\n", out);
    for (unsigned i = 0; i < record->n_sittings; i++) {
        const struct loop_sitting *sitting = &record->sitting[i];
        fputs("<li>", out);
        page_time(out, sitting->begun_utc_ms);
        fputs(" to ", out);
        page_time(out, sitting->ended_utc_ms);
        fputs(", by ", out);
        page_text(out, sitting->by);
        if (sitting->differences[0] != '\0') {
            fputs(". Changed since the one before: ", out);
            page_text(out, sitting->differences);
        }
        fputs("</li>\n", out);
    }
    fputs("</ul>\n", out);
}

static void put_signatures(FILE *out)
{
    static const char *const WHO[] = {"Technician", "For the well&#39;s owner"};
    fputs("<div class=sign>\n", out);
    for (unsigned i = 0; i < 2; i++)
        fprintf(out,
                "<div><p><b>%s</b></p><div class=line><span>Name</span><span></span></div><div "
                "class=line><span>Signature</span><span></span></div><div "
                "class=line><span>Date</span><span></span></div></div>\n",
                WHO[i]);
    fputs("</div>\n", out);
}

void loop_print_page(FILE *out, const struct loop_record *record)
{
    fputs("<!DOCTYPE html>\n<html lang=en>\n<head>\n<meta charset=utf-8>\n<title>Loop check ", out);
    page_text(out, record->well);
    fprintf(out, "</title>\n<style>%s</style>\n</head>\n<body>\n", STYLE);
    put_head(out, record);
    put_facts(out, record);
    page_channels(out, record);
    page_outages(out, record);
    put_not_done(out, record);
    put_stanzas(out, record);
    put_sittings(out, record);
    put_signatures(out);
    fputs(
        "<footer>Names and roles are as they were typed. The same record, complete, stands in the "
        "JSON file of the same name.</footer>\n</body>\n</html>\n",
        out);
}
