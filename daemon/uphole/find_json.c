/* SPDX-License-Identifier: Apache-2.0
 *
 * find_json.c - what was found, as one JSON object a port.
 */
#include "find.h"

#include <stdlib.h>

static void put_line(FILE *out, const struct line_plan *line)
{
    if (line->medium == LINE_MEDIUM_SERIAL)
        fprintf(out, "{\"speed\":%u,\"frame\":\"8%c%u\"}", line->baud, line->parity,
                line->stop_bits);
    else
        fprintf(out, "{\"framing\":\"%s\"}", line->framing == LINE_FRAMING_RTU ? "rtu" : "tcp");
}

static void put_heard(FILE *out, const struct find_heard *heard)
{
    fprintf(out, ",\"heard\":{\"listened_s\":%.3f,\"bytes\":%llu,\"master\":%s,\"answered\":%s",
            (double)heard->listened_us / 1e6, (unsigned long long)heard->bytes,
            heard->has_master ? "true" : "false", heard->has_answers ? "true" : "false");
    if (heard->has_master) {
        fputs(",\"line\":", out);
        put_line(out, &heard->line);
    }
    fputs(",\"questions\":[", out);
    for (unsigned i = 0; i < heard->n_questions; i++) {
        const struct heard_question *question = &heard->question[i];
        fprintf(out, "%s{\"unit_id\":%u,\"function\":%u,\"first\":%u,\"count\":%u,\"times\":%u",
                i > 0 ? "," : "", question->unit_id, question->request.function,
                question->request.first, question->request.count, question->times);
        if (question->times > 1)
            fprintf(out, ",\"period_s\":%.3f",
                    (double)(question->last_us - question->first_us) / (question->times - 1) / 1e6);
        fputc('}', out);
    }
    fputs("]}", out);
}

static void put_unit(FILE *out, const struct find_report *report)
{
    const struct find_unit *unit = &report->unit;
    fprintf(out, ",\"unit\":{\"unit_id\":%u,\"line\":", unit->unit_id);
    put_line(out, &unit->line);
    fprintf(out,
            ",\"by_listening\":%s,\"found_after_s\":%.3f,\"largest_read\":%u,\"slowest_answer_ms\":"
            "%.1f,\"objects\":[",
            unit->is_answered_by_listening ? "true" : "false",
            (double)(report->found_us - report->began_us) / 1e6, unit->largest_read,
            (double)unit->slowest_answer_us / 1000);
    for (unsigned i = 0; i < unit->n_objects; i++) {
        fputs(i > 0 ? "," : "", out);
        command_json_text(out, unit->object[i]);
    }
    fprintf(out, "],\"ranges_are_whole\":%s,\"ranges\":[",
            unit->ranges_are_whole ? "true" : "false");
    for (unsigned i = 0; i < unit->n_ranges; i++)
        fprintf(out, "%s{\"function\":%u,\"first\":%u,\"last\":%u}", i > 0 ? "," : "",
                unit->range[i].table, unit->range[i].first, unit->range[i].last);
    fputs("]}", out);
}

static void put_scores(FILE *out, const struct find_report *report)
{
    fputs(",\"maps\":[", out);
    for (unsigned i = 0; i < report->n_scores; i++) {
        const struct map_score *score = &report->score[i];
        fprintf(out, "%s{\"map\":\"%s\",\"percent\":%u,\"why\":[", i > 0 ? "," : "",
                score->map->name, score->percent);
        for (unsigned l = 0; l < score->n_lines; l++) {
            fputs(l > 0 ? "," : "", out);
            command_json_text(out, score->line[l]);
        }
        fputs("],\"careful\":[", out);
        for (unsigned w = 0; w < score->n_warnings; w++) {
            fputs(w > 0 ? "," : "", out);
            command_json_text(out, score->warning[w]);
        }
        fputs("]}", out);
    }
    fputc(']', out);
}

static void put_causes(FILE *out, const struct find_report *report)
{
    fputs(",\"causes\":[", out);
    for (unsigned i = 0; i < report->n_causes; i++) {
        const struct likely_cause *cause = &report->cause[i];
        fprintf(out, "%s{\"cause\":\"%s\",\"percent\":%u,\"sentence\":", i > 0 ? "," : "",
                cause->key, cause->percent);
        command_json_text(out, cause->sentence);
        fputs(",\"evidence\":", out);
        command_json_text(out, cause->evidence);
        fputs(",\"checks\":[", out);
        for (int c = 0; c < CAUSE_CHECKS_MAX && cause->checks[c] != NULL; c++) {
            fputs(c > 0 ? "," : "", out);
            command_json_text(out, cause->checks[c]);
        }
        fputs("]}", out);
    }
    fputc(']', out);
}

void find_show_json(FILE *out, const char *target, const struct find_report *report,
                    const char *agreed_by)
{
    char *stanza = NULL;
    size_t length = 0;
    fputs("{\"port\":", out);
    command_json_text(out, target);
    fprintf(out,
            ",\"found\":%s,\"refused\":%s,\"stopped\":%s,\"ran_out\":%s,\"requests\":%u,\"bytes_"
            "sent\":%llu,\"took_s\":%.3f",
            report->has_unit ? "true" : "false", report->was_refused ? "true" : "false",
            report->was_stopped ? "true" : "false", report->ran_out ? "true" : "false",
            report->evidence.requests, (unsigned long long)report->evidence.bytes_sent,
            (double)(report->ended_us - report->began_us) / 1e6);
    fputs(",\"agreed_by\":", out);
    if (report->was_agreed)
        command_json_text(out, agreed_by);
    else
        fputs("null", out);
    put_heard(out, &report->heard);
    if (report->has_unit)
        put_unit(out, report);
    put_scores(out, report);
    put_causes(out, report);
    FILE *text = report->has_unit ? open_memstream(&stanza, &length) : NULL;
    if (text != NULL) {
        find_print_stanza(text, report);
        if (fclose(text) == 0) {
            fputs(",\"stanza\":", out);
            command_json_text(out, stanza);
        }
        free(stanza);
    }
    fputs("}\n", out);
}
