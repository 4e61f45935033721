/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_page.c - a loop check's record as one page to print and to sign: plain HTML, no script,
 * nothing loaded from elsewhere. Every text that is not ours is escaped.
 *
 * One sheet of A4 or Letter takes about thirty channels with the three outages; beyond that the
 * table goes on with its heading on the next.
 */
#include "loop_page.h"

#include <inttypes.h>
#include <math.h>
#include <string.h>

static const char STYLE[] =
    "@page{margin:9mm 11mm}"
    "*{box-sizing:border-box}"
    "body{margin:0 auto;max-width:194mm;font:7.2pt/1.2 'Liberation Sans',Arial,Helvetica,'DejaVu "
    "Sans Condensed',sans-serif;font-variant-numeric:tabular-nums;color:#000;background:#fff}"
    "h1{font-size:14pt;line-height:1.1;margin:0}"
    "h2{font-size:8pt;margin:1.9mm 0 .5mm;border-bottom:.3mm solid #000}"
    "header{display:flex;justify-content:space-between;align-items:flex-start;gap:6mm}"
    "header p{margin:.6mm 0 0}"
    ".sum{border:.5mm solid #000;padding:1mm 3mm;text-align:center;white-space:nowrap}"
    ".sum b{display:block;font-size:12pt;line-height:1.15}"
    ".proves{border-left:1.2mm solid #000;padding:.2mm 2.5mm;margin:1.6mm 0 1.4mm;font-size:8pt}"
    ".proves b{display:block}"
    "dl{display:grid;grid-template-columns:max-content 1fr;gap:.15mm 2.5mm;margin:0}"
    "dt{color:#333}dd{margin:0;overflow-wrap:anywhere}"
    ".hex{font-family:'Liberation Mono','DejaVu Sans Mono',monospace;font-size:6.3pt}"
    "table{border-collapse:collapse;width:100%}"
    "th,td{text-align:left;vertical-align:top;line-height:1.13;padding:.15mm 1.2mm .15mm "
    "0;border-bottom:.12mm solid #aaa}"
    "th{font-weight:bold;border-bottom:.25mm solid #000;white-space:nowrap}"
    "td.n,th.n{text-align:right;white-space:nowrap}"
    "td.r{font-weight:bold;white-space:nowrap}"
    "td.w{white-space:nowrap}"
    "tr{break-inside:avoid}"
    "small{font-size:6.3pt;color:#222}"
    "ul{margin:0;padding-left:3.4mm}.do{margin:1mm 0 0}"
    "footer{break-inside:avoid}"
    ".sign{display:grid;grid-template-columns:1fr 1fr;gap:10mm;margin-top:2.2mm}"
    ".sign p{margin:0}"
    ".line{display:grid;grid-template-columns:14mm 1fr;align-items:end;margin-top:3.9mm}"
    ".line i{border-bottom:.25mm solid #000;height:1em}"
    ".last{margin:1.6mm 0 0;font-size:6pt;color:#333}"
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

static unsigned passed_outages(const struct loop_record *record)
{
    unsigned n = 0;
    for (unsigned i = 0; i < record->n_outages; i++)
        n += record->outage[i].result == LOOP_PASS;
    return n;
}

static void put_sums(FILE *out, const struct loop_record *record)
{
    const unsigned numberless = loop_count_numberless(record),
                   skipped = loop_count(record, LOOP_SKIPPED) - numberless;
    fprintf(
        out,
        "<div class=sum><b>%s</b>%u passed, %u failed, %u not fitted, %u skipped<br>%u without a "
        "number to compare<br>%u of %d outage tests passed</div>",
        !record->complete                                          ? "NOT COMPLETE"
        : !loop_has_passed(record)                                 ? "NOT PASSED"
        : skipped > 0 || passed_outages(record) < LOOP_OUTAGES_MAX ? "PASSED IN PART"
                                                                   : "PASSED",
        loop_count(record, LOOP_PASS), loop_count(record, LOOP_FAIL),
        loop_count(record, LOOP_NOT_FITTED), skipped, numberless, passed_outages(record),
        LOOP_OUTAGES_MAX);
}

static void put_head(FILE *out, const struct loop_record *record)
{
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
    fputs("<br>All times are UTC, by this box&#39;s clock (", out);
    page_text(out, record->clock[0] != '\0' ? record->clock : "not known");
    fputs(")</p></div>\n", out);
    put_sums(out, record);
    fputs("</header>\n<div class=proves><b>", out);
    page_text(out, LOOP_PROVES);
    fputs("</b>", out);
    page_text(out, LOOP_CAUTION);
    fputs(" Values can be late, missing or wrong: check quality and age.</div>\n", out);
}

static void fact(FILE *out, const char *name, const char *text, const char *more)
{
    fprintf(out, "<dt>%s</dt><dd>", name);
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
    fputs("<dt>", out);
    page_text(out, name);
    fputs("</dt><dd class=hex>", out);
    page_text(out, text);
    fputs("</dd>\n", out);
}

static void put_source_facts(FILE *out, const struct loop_source *source)
{
    char text[LOOP_TEXT_MAX], more[LOOP_TEXT_MAX], poll[NUMBER_TEXT_MAX], refresh[NUMBER_TEXT_MAX];
    (void)number_to_text(source->poll_ms / 1000.0, 0, poll);
    (void)number_to_text(source->refresh_ms / 1000.0, 0, refresh);
    snprintf(more, sizeof more, "%s: unit id %u on %s, asked each %s s, refreshes each %s s",
             source_name(source->source), source->unit_id, source->line, poll, refresh);
    fact(out, "Serial number", source->serial_number, more);
    snprintf(text, sizeof text, "Map %.32s", source->map);
    digest(out, text, source->map_digest);
}

static void put_path(FILE *out, const char *name, const struct loop_path *path)
{
    char text[LOOP_TEXT_MAX + PATH_LENGTH_MAX];
    if (path->name[0] == '\0') {
        fact(out, name, path->left_out ? "left out" : "none configured", NULL);
        return;
    }
    snprintf(text, sizeof text, "%s, %s", path->name, path->where);
    fact(out, name, text, path->detail);
}

/** Who checked, and when. */
static void put_sittings(FILE *out, const struct loop_record *record)
{
    for (unsigned i = 0; i < record->n_sittings; i++) {
        const struct loop_sitting *sitting = &record->sitting[i];
        fprintf(out, "<dt>%s</dt><dd>", i == 0 ? "Checked by" : "");
        page_text(out, sitting->by);
        fputs(" <small>", out);
        page_time(out, sitting->begun_utc_ms);
        fputs(" to ", out);
        page_time(out, sitting->ended_utc_ms);
        if (sitting->differences[0] != '\0') {
            fputs("; since the sitting before: ", out);
            page_text(out, sitting->differences);
        }
        fputs("</small></dd>\n", out);
    }
}

static void put_facts(FILE *out, const struct loop_record *record)
{
    fputs("<dl>\n", out);
    put_sittings(out, record);
    for (unsigned i = 0; i < SOURCE_KINDS; i++)
        if (record->source[i].source != SOURCE_NONE)
            put_source_facts(out, &record->source[i]);
    digest(out, "Configuration", record->plan);
    fact(out, "Uphole", record->version, record->versions);
    put_path(out, "MQTT", &record->mqtt);
    put_path(out, "Modbus TCP", &record->table);
    fputs("</dl>\n", out);
}

/* ---- what was not done ---- */

static bool is_left(const struct loop_channel *channel)
{
    return channel->result == LOOP_SKIPPED || channel->result == LOOP_OPEN;
}
static bool is_left_alike(const struct loop_channel *a, const struct loop_channel *b)
{
    return a->result == b->result && strcmp(a->sentence, b->sentence) == 0;
}

/** Channels with the same reason stand together, at the first of them. */
static void put_left_channels(FILE *out, const struct loop_record *record, unsigned i)
{
    const char *before = "<li>";
    for (unsigned j = 0; j < i; j++)
        if (is_left_alike(&record->channel[j], &record->channel[i]))
            return;
    for (unsigned j = i; j < record->n_channels; j++)
        if (is_left_alike(&record->channel[j], &record->channel[i])) {
            fputs(before, out);
            page_text(out, point_get(record->channel[j].point)->id);
            before = ", ";
        }
    fputs(": ", out);
    page_text(out, record->channel[i].result == LOOP_OPEN ? "not checked yet"
                                                          : record->channel[i].sentence);
    fputs("</li>\n", out);
}

static void put_not_done(FILE *out, const struct loop_record *record)
{
    fputs("<h2>What was not done</h2>\n<ul>\n", out);
    for (unsigned i = 0; i < record->n_channels; i++)
        if (is_left(&record->channel[i]))
            put_left_channels(out, record, i);
    for (unsigned i = 0; i < record->n_outages; i++)
        if (record->outage[i].result == LOOP_SKIPPED || record->outage[i].result == LOOP_OPEN) {
            fprintf(out,
                    "<li>Outage test &ldquo;%s&rdquo;: ", loop_outage_name(record->outage[i].kind));
            page_text(out, record->outage[i].sentence[0] != '\0' ? record->outage[i].sentence
                                                                 : "not done yet");
            fputs("</li>\n", out);
        }
    if (record->mqtt.left_out || record->table.left_out)
        fprintf(out, "<li>%s%s%s: left out by the person&#39;s wish.</li>\n",
                record->mqtt.left_out ? "MQTT" : "",
                record->mqtt.left_out && record->table.left_out ? " and " : "",
                record->table.left_out ? "the Modbus TCP table" : "");
    fputs("<li>Derived points, the table&#39;s other views, and SCADA&#39;s own screens and alarms "
          "are not part of this check.</li>\n</ul>\n",
          out);
}

/** A line a source, as it stands in the configuration. */
static void put_stanzas(FILE *out, const struct loop_record *record)
{
    bool any = false;
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        const char *before = "";
        for (unsigned i = 0; i < record->n_channels; i++) {
            const struct loop_channel *at = &record->channel[i];
            if (at->source != s || at->stanza[0] == '\0')
                continue;
            if (before[0] == '\0')
                fprintf(out, "%s%s: fitted: {",
                        any ? "<br>"
                            : "<p class=do><b>For the configuration, where it is accepted:</b> "
                              "<span class=hex>",
                        source_name(s));
            fprintf(out, "%s%s: no", before, point_get(at->point)->id);
            before = ", ";
        }
        if (before[0] != '\0')
            fputs("}", out);
        any = any || before[0] != '\0';
    }
    if (any)
        fputs("</span></p>\n", out);
}

static void put_signatures(FILE *out)
{
    static const char *const WHO[] = {"Technician", "For the well&#39;s owner"};
    static const char *const LINES[] = {"Name", "Signature", "Date"};
    fputs("<footer><div class=sign>\n", out);
    for (unsigned i = 0; i < 2; i++) {
        fprintf(out, "<div><p><b>%s</b></p>", WHO[i]);
        for (unsigned j = 0; j < 3; j++)
            fprintf(out, "<div class=line><span>%s</span><i></i></div>", LINES[j]);
        fputs("</div>\n", out);
    }
    fputs(
        "</div>\n<p class=last>Names and roles are as they were typed. The same record, complete, "
        "stands in the JSON file of the same name.</p></footer>\n",
        out);
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
    put_signatures(out);
    fputs("</body>\n</html>\n", out);
}
