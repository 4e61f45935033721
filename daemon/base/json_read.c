/* SPDX-License-Identifier: Apache-2.0
 *
 * json_read.c - JSON out of the caller's bytes, into nodes that the caller lends: strict (RFC
 * 8259), bounded in depth and in number.
 *
 * A text from outside is looked at once and never trusted: each read is behind a look at the end.
 */
#include "uphole/json.h"

#include "uphole/quantity.h"

#include <string.h>

struct reading_json {
    const char *text;
    size_t length, at;
    struct json_doc *doc;
    size_t room;
    bool is_full;
};

static int peek(const struct reading_json *in)
{
    return in->at < in->length ? (unsigned char)in->text[in->at] : -1;
}

static void skip_blanks(struct reading_json *in)
{
    while (peek(in) == ' ' || peek(in) == '\t' || peek(in) == '\n' || peek(in) == '\r')
        in->at++;
}

static uint32_t add(struct reading_json *in, enum json_kind kind)
{
    if (in->doc->n >= in->room) {
        in->is_full = true;
        return JSON_MISSING;
    }
    in->doc->node[in->doc->n] = (struct json_node){.kind = (uint8_t)kind, .at = (uint32_t)in->at};
    return in->doc->n++;
}

static void end(struct reading_json *in, uint32_t node, size_t at)
{
    in->doc->node[node].end = (uint32_t)at;
    in->doc->node[node].after = in->doc->n;
}

static int hex_digit(int c)
{
    return c >= '0' && c <= '9'   ? c - '0'
           : c >= 'a' && c <= 'f' ? c - 'a' + 10
           : c >= 'A' && c <= 'F' ? c - 'A' + 10
                                  : -1;
}

/** Bytes of the character here; 0: it is no UTF-8 (RFC 8259, 8.1). */
static size_t character(const struct reading_json *in)
{
    unsigned char bytes[5] = {0};
    const size_t left = in->length - in->at;
    memcpy(bytes, in->text + in->at, left < 4 ? left : 4);
    return json_utf8_length(bytes);
}

static bool read_string(struct reading_json *in)
{
    in->at++; /* the quotation mark */
    const uint32_t node = add(in, JSON_STRING);
    for (size_t n = 0;; in->at += n) {
        int c = peek(in);
        if (node == JSON_MISSING || c < 0x20)
            return false;
        if (c == '"')
            break;
        n = character(in);
        if (n == 0)
            return false;
        if (c != '\\')
            continue;
        in->at++;
        c = peek(in);
        if (c == 'u') {
            for (int i = 0; i < 4; i++) {
                in->at++;
                if (hex_digit(peek(in)) < 0)
                    return false;
            }
        } else if (c <= 0 || strchr("\"\\/bfnrt", c) == NULL) {
            return false;
        }
    }
    end(in, node, in->at);
    in->at++;
    return true;
}

static bool read_digits(struct reading_json *in)
{
    const size_t from = in->at;
    while (peek(in) >= '0' && peek(in) <= '9')
        in->at++;
    return in->at > from;
}

static bool read_number(struct reading_json *in)
{
    const uint32_t node = add(in, JSON_NUMBER);
    if (node == JSON_MISSING)
        return false;
    if (peek(in) == '-')
        in->at++;
    const bool is_zero = peek(in) == '0';
    const size_t from = in->at;
    if (!read_digits(in) || (is_zero && in->at - from > 1))
        return false;
    if (peek(in) == '.') {
        in->at++;
        if (!read_digits(in))
            return false;
    }
    if (peek(in) == 'e' || peek(in) == 'E') {
        in->at++;
        if (peek(in) == '+' || peek(in) == '-')
            in->at++;
        if (!read_digits(in))
            return false;
    }
    end(in, node, in->at);
    return true;
}

static bool read_word(struct reading_json *in, const char *word, enum json_kind kind)
{
    const size_t n = strlen(word);
    if (in->length - in->at < n || memcmp(in->text + in->at, word, n) != 0)
        return false;
    const uint32_t node = add(in, kind);
    if (node == JSON_MISSING)
        return false;
    in->at += n;
    end(in, node, in->at);
    return true;
}

static bool read_value(struct reading_json *in, unsigned depth);

/** An array or object, from its bracket on. */
static bool read_many(struct reading_json *in, bool is_object, unsigned depth)
{
    const int closing = is_object ? '}' : ']';
    const uint32_t node = add(in, is_object ? JSON_OBJECT : JSON_ARRAY);
    if (node == JSON_MISSING || depth >= JSON_DEPTH_MAX)
        return false;
    in->at++;
    skip_blanks(in);
    bool more = peek(in) != closing;
    while (more) {
        skip_blanks(in);
        if (is_object) {
            if (peek(in) != '"' || !read_string(in))
                return false;
            skip_blanks(in);
            if (peek(in) != ':')
                return false;
            in->at++;
        }
        if (!read_value(in, depth + 1))
            return false;
        skip_blanks(in);
        more = peek(in) == ',';
        if (more)
            in->at++;
        else if (peek(in) != closing)
            return false;
    }
    in->at++;
    end(in, node, in->at);
    return true;
}

static bool read_value(struct reading_json *in, unsigned depth)
{
    skip_blanks(in);
    switch (peek(in)) {
    case '{':
        return read_many(in, true, depth);
    case '[':
        return read_many(in, false, depth);
    case '"':
        return read_string(in);
    case 't':
        return read_word(in, "true", JSON_BOOLEAN);
    case 'f':
        return read_word(in, "false", JSON_BOOLEAN);
    case 'n':
        return read_word(in, "null", JSON_NULL);
    default:
        return read_number(in);
    }
}

enum up_rc json_read(struct json_doc *doc, const char *text, size_t length, struct json_node *nodes,
                     size_t room, struct up_error *error)
{
    *doc = (struct json_doc){.text = text, .node = nodes};
    struct reading_json in = {.text = text, .length = length, .doc = doc, .room = room};
    if (length >= UINT32_MAX)
        return UP_FAIL(error, UP_E_INPUT, "the JSON text is too long");
    bool is_good = read_value(&in, 0);
    skip_blanks(&in);
    is_good = is_good && in.at == length;
    if (is_good)
        return UP_OK;
    doc->n = 0;
    if (in.is_full)
        return UP_FAIL(error, UP_E_FULL, "the JSON text holds more than %zu values", room);
    return UP_FAIL(error, UP_E_INPUT, "it is no JSON at byte %zu", in.at);
}

/* ---- looking things up ---- */

static const struct json_node *get(const struct json_doc *doc, uint32_t node, enum json_kind kind)
{
    return node < doc->n && doc->node[node].kind == kind ? &doc->node[node] : NULL;
}

uint32_t json_first(const struct json_doc *doc, uint32_t node)
{
    const struct json_node *array = get(doc, node, JSON_ARRAY);
    return array != NULL && array->after > node + 1 ? node + 1 : JSON_MISSING;
}

uint32_t json_next(const struct json_doc *doc, uint32_t node, uint32_t item)
{
    const struct json_node *array = get(doc, node, JSON_ARRAY);
    if (array == NULL || item >= doc->n || doc->node[item].after >= array->after)
        return JSON_MISSING;
    return doc->node[item].after;
}

uint32_t json_item(const struct json_doc *doc, uint32_t node, uint32_t i)
{
    uint32_t item = json_first(doc, node);
    while (item != JSON_MISSING && i-- > 0)
        item = json_next(doc, node, item);
    return item;
}

uint32_t json_member(const struct json_doc *doc, uint32_t node, const char *name)
{
    const struct json_node *object = get(doc, node, JSON_OBJECT);
    if (object == NULL)
        return JSON_MISSING;
    for (uint32_t at = node + 1; at < object->after; at = doc->node[at + 1].after)
        if (json_is_text(doc, at, name))
            return at + 1;
    return JSON_MISSING;
}

/** The code of `\uXXXX` at `at`. */
static uint32_t code_of(const char *at)
{
    uint32_t code = 0;
    for (int i = 2; i < 6; i++)
        code = code << 4 | (uint32_t)hex_digit((unsigned char)at[i]);
    return code;
}

static size_t utf8_of(uint32_t code, char into[static 4])
{
    if (code < 0x80) {
        into[0] = (char)code;
        return 1;
    }
    const size_t n = code < 0x800 ? 2 : code < 0x10000 ? 3 : 4;
    static const uint8_t FIRST[] = {0, 0, 0xC0, 0xE0, 0xF0};
    for (size_t i = n; i-- > 1; code >>= 6)
        into[i] = (char)(0x80 | (code & 0x3F));
    into[0] = (char)(FIRST[n] | code);
    return n;
}

/** One character of a string, escape undone; *at moves behind it. Half of a pair is U+FFFD. */
static size_t take_character(const char *text, size_t *at, size_t to, char into[static 4])
{
    static const char FROM[] = "bfnrt", BECOMES[] = "\b\f\n\r\t";
    if (text[*at] != '\\') {
        into[0] = text[(*at)++];
        return 1;
    }
    const char c = text[*at + 1];
    if (c != 'u') {
        const char *known = strchr(FROM, c);
        into[0] = known != NULL ? BECOMES[known - FROM] : c;
        *at += 2;
        return 1;
    }
    uint32_t code = code_of(text + *at);
    *at += 6;
    if (code >= 0xD800 && code < 0xDC00 && to - *at >= 6 && text[*at] == '\\' &&
        text[*at + 1] == 'u') {
        const uint32_t low = code_of(text + *at);
        if (low >= 0xDC00 && low < 0xE000) {
            code = 0x10000 + ((code - 0xD800) << 10) + (low - 0xDC00);
            *at += 6;
        }
    }
    if (code >= 0xD800 && code < 0xE000)
        code = 0xFFFD;
    return utf8_of(code, into);
}

bool json_get_text(const struct json_doc *doc, uint32_t node, char *into, size_t room)
{
    const struct json_node *string = get(doc, node, JSON_STRING);
    size_t n = 0;
    if (room > 0)
        into[0] = '\0';
    if (string == NULL)
        return false;
    for (size_t at = string->at; at < string->end;) {
        char character[4];
        const size_t length = take_character(doc->text, &at, string->end, character);
        if (n + length >= room || character[0] == '\0') {
            if (room > 0)
                into[0] = '\0';
            return false;
        }
        memcpy(into + n, character, length);
        n += length;
    }
    if (n >= room)
        return false;
    into[n] = '\0';
    return true;
}

bool json_is_text(const struct json_doc *doc, uint32_t node, const char *text)
{
    const struct json_node *string = get(doc, node, JSON_STRING);
    if (string == NULL)
        return false;
    size_t n = 0;
    for (size_t at = string->at; at < string->end;) {
        char character[4];
        const size_t length = take_character(doc->text, &at, string->end, character);
        if (strncmp(text + n, character, length) != 0 || character[0] == '\0')
            return false;
        n += length;
    }
    return text[n] == '\0';
}

bool json_get_number(const struct json_doc *doc, uint32_t node, double *out)
{
    const struct json_node *number = get(doc, node, JSON_NUMBER);
    struct decimal decimal;
    if (number == NULL ||
        !decimal_from_text(doc->text + number->at, number->end - number->at, &decimal))
        return false;
    *out = decimal_to_double(decimal);
    return true;
}

bool json_get_unsigned(const struct json_doc *doc, uint32_t node, uint64_t *out)
{
    const struct json_node *number = get(doc, node, JSON_NUMBER);
    uint64_t value = 0;
    if (number == NULL)
        return false;
    for (size_t at = number->at; at < number->end; at++) {
        const unsigned digit = (unsigned)(doc->text[at] - '0');
        if (digit > 9 || value > (UINT64_MAX - digit) / 10)
            return false;
        value = value * 10 + digit;
    }
    *out = value;
    return true;
}

bool json_get_boolean(const struct json_doc *doc, uint32_t node, bool *out)
{
    const struct json_node *boolean = get(doc, node, JSON_BOOLEAN);
    if (boolean == NULL)
        return false;
    *out = doc->text[boolean->at] == 't';
    return true;
}
