/* SPDX-License-Identifier: Apache-2.0
 *
 * heard_text.c - the sentence on another master: who asks what, how often, and what to do.
 */
#include "uphole/commission.h"

#include <stdarg.h>
#include <string.h>

#define SHOWN_MAX 8

struct text {
    char *into;
    size_t room, used;
};

__attribute__((format(printf, 2, 3))) static void put(struct text *text, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    const int n = vsnprintf(text->into + text->used, text->room - text->used, format, arguments);
    va_end(arguments);
    if (n > 0)
        text->used += (size_t)n < text->room - text->used ? (size_t)n : text->room - text->used - 1;
}

static const char *table_name(uint8_t function)
{
    static const char *const NAMES[] = {"", "coils", "discrete inputs", "holding registers",
                                        "input registers"};
    return function <= MODBUS_READ_INPUT_REGISTERS ? NAMES[function] : "";
}

static void put_question(struct text *text, const struct heard_question *question)
{
    put(text, "unit id %u: function %02X", question->unit_id, question->request.function);
    if (question->request.count > 0)
        put(text, ", %s %u to %u", table_name(question->request.function), question->request.first,
            question->request.first + question->request.count - 1u);
    if (question->times > 1)
        put(text, ", every %.1f s",
            (double)(question->last_us - question->first_us) / (question->times - 1) / 1e6);
    else
        put(text, ", once");
}

void find_heard_to_text(const struct find_heard *heard, char *into, size_t room)
{
    struct text text = {.into = into, .room = room};
    into[0] = '\0';
    if (!heard->has_master && heard->has_runs)
        put(&text,
            "Somebody sends on this line, in runs of bytes that make no frame at the settings that "
            "were tried (%u): "
            "another master at other settings, or a pair that is swapped or noisy. What to do: let "
            "find listen "
            "without --speed and --frame, and agree with whoever is responsible for the drive "
            "before anything is asked.",
            heard->settings_tried);
    if (!heard->has_master)
        return;
    put(&text, "Another master asks on this line, at %u baud 8%c%u. It reads ", heard->line.baud,
        heard->line.parity, heard->line.stop_bits);
    for (unsigned i = 0; i < heard->n_questions && i < SHOWN_MAX; i++) {
        put(&text, "%s", i > 0 ? "; " : "");
        put_question(&text, &heard->question[i]);
    }
    if (heard->n_questions > SHOWN_MAX)
        put(&text, "; and %u more questions", heard->n_questions - SHOWN_MAX);
    put(&text,
        ". %s What to do: take the readings from what it reads, without a byte of ours "
        "(share_line: "
        "listen), or use the unit's other port. To ask beside it, agree with whoever is "
        "responsible "
        "for it first.",
        heard->has_answers ? "It is answered." : "No answer to it was heard.");
}
