/* SPDX-License-Identifier: Apache-2.0
 *
 * write_keys.c - one section to canonical text by the table of keys: the reverse of read_keys.c,
 * with every default written out.
 */
#include "keys.h"

#include "uphole/stamp.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

void text_put(struct text_out *out, const char *format, ...)
{
    va_list arguments;
    if (out->is_full)
        return;
    va_start(arguments, format);
    const int n = vsnprintf(out->text + out->length, out->room - out->length, format, arguments);
    va_end(arguments);
    if (n < 0 || (size_t)n >= out->room - out->length)
        out->is_full = true;
    else
        out->length += (size_t)n;
}

void text_put_scalar(struct text_out *out, const char *text)
{
    static const char PLAIN[] =
        "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_./";
    if (text[0] && text[0] != '-' && strspn(text, PLAIN) == strlen(text))
        text_put(out, "%s", text);
    else
        text_put_quoted(out, text);
}

void text_put_quoted(struct text_out *out, const char *text)
{
    text_put(out, "\"");
    for (const char *at = text; *at; at++)
        text_put(out, *at == '"' || *at == '\\' ? "\\%c" : "%c", *at);
    text_put(out, "\"");
}

static uint64_t get_whole(const struct key *key, const void *from)
{
    const void *at = (const char *)from + key->offset;
    if (key->size == 1)
        return *(const uint8_t *)at;
    if (key->size == 2)
        return *(const uint16_t *)at;
    if (key->size == 4)
        return *(const uint32_t *)at;
    return *(const uint64_t *)at;
}

/* Text of a value; empty where it isn't stated. */
static void value_text(const struct key *key, const void *from, char text[static PATH_LENGTH_MAX])
{
    const char *at = (const char *)from + key->offset;
    char number[DECIMAL_TEXT_MAX];
    text[0] = 0;
    switch ((enum value_kind)key->kind) {
    case VALUE_NAME:
    case VALUE_LABEL:
    case VALUE_PATH:
        (void)snprintf(text, PATH_LENGTH_MAX, "%s", at);
        break;
    case VALUE_DURATION:
        duration_text(get_whole(key, from), number);
        (void)snprintf(text, PATH_LENGTH_MAX, "%s", number);
        break;
    case VALUE_SIZE:
        size_text(get_whole(key, from), number);
        (void)snprintf(text, PATH_LENGTH_MAX, "%s", number);
        break;
    case VALUE_WHOLE:
        (void)snprintf(text, PATH_LENGTH_MAX, "%llu%s%s", (unsigned long long)get_whole(key, from),
                       key->suffix ? " " : "", key->suffix ? key->suffix : "");
        break;
    case VALUE_YES_NO:
        (void)snprintf(text, PATH_LENGTH_MAX, "%s", *(const bool *)at ? "yes" : "no");
        break;
    case VALUE_CHOICE:
        (void)snprintf(text, PATH_LENGTH_MAX, "%s",
                       choice_name(key->choices, (int)get_whole(key, from)));
        break;
    case VALUE_INSTANT:
        (void)stamp_to_text(*(const int64_t *)(const void *)at, text);
        break;
    case VALUE_QUANTITY: {
        const double value = *(const double *)(const void *)at;
        if (isnan(value))
            break;
        decimal_to_text(decimal_from_double(value), number);
        const unit_number unit = unit_of_kind(key->quantity);
        (void)snprintf(text, PATH_LENGTH_MAX, "%s%s%s%s%s", number, unit != 0 ? " " : "",
                       unit != 0 ? unit_get(unit)->name : "", key->suffix ? " " : "",
                       key->suffix ? key->suffix : "");
        break;
    }
    case VALUE_SPECIAL:
        break;
    }
}

void keys_write(struct text_out *out, enum section section, uint8_t only, int indent,
                const void *from)
{
    for (int i = 0; key_at(i); i++) {
        const struct key *key = key_at(i);
        if (key->section != section || key->kind == VALUE_SPECIAL ||
            (only && key->only && (key->only & only) == 0))
            continue;
        char text[PATH_LENGTH_MAX];
        value_text(key, from, text);
        if (text[0] == 0)
            continue;
        text_put(out, "%*s%s: ", indent, "", key->name);
        if (key->kind == VALUE_NAME || key->kind == VALUE_LABEL || key->kind == VALUE_PATH)
            text_put_scalar(out, text);
        else
            text_put(out, "%s", text);
        text_put(out, "\n");
    }
}
