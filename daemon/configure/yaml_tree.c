/* SPDX-License-Identifier: Apache-2.0
 *
 * yaml_tree.c - libyaml's events to a bounded tree with file, line and column.
 *
 * What makes YAML dangerous or surprising is left out: aliases (they can grow a few lines to
 * gigabytes), anchors, tags, several documents. What is left is text, lists and mappings; types are
 * decided later by the table of keys, never by how a text looks.
 */
#include "tree.h"

#include <stdlib.h>
#include <string.h>
#include <yaml.h>

#define DEPTH_MAX 16
#define NODES_MAX 50000
#define ENTRIES_MAX 1000
#define ARENA_BLOCK ((size_t)64 * 1024)

struct arena_block {
    struct arena_block *before;
    size_t used, room;
    _Alignas(16) char bytes[];
};

struct yaml_tree {
    struct arena_block *arena;
    const struct node *root;
    int n_nodes;
};

struct reader {
    yaml_parser_t parser;
    struct yaml_tree *tree;
    const char *file;
    struct plan_faults *faults;
};

static void *arena_take(struct yaml_tree *tree, size_t n)
{
    n = (n + 15) & ~(size_t)15;
    if (!tree->arena || tree->arena->room - tree->arena->used < n) {
        const size_t room = n > ARENA_BLOCK ? n : ARENA_BLOCK;
        struct arena_block *block = malloc(sizeof *block + room);
        if (!block)
            return NULL;
        block->before = tree->arena;
        block->used = 0;
        block->room = room;
        tree->arena = block;
    }
    void *at = tree->arena->bytes + tree->arena->used;
    tree->arena->used += n;
    memset(at, 0, n);
    return at;
}

void yaml_tree_free(struct yaml_tree *tree)
{
    if (!tree)
        return;
    while (tree->arena) {
        struct arena_block *before = tree->arena->before;
        free(tree->arena);
        tree->arena = before;
    }
    free(tree);
}

const struct node *yaml_tree_root(const struct yaml_tree *tree)
{
    return tree->root;
}

/* ---- the text before libyaml sees it ---- */

/* Length of the UTF-8 character at `at`, or 0: overlong forms, surrogates and beyond U+10FFFF are
 * none. Source: RFC 3629, section 4. */
static size_t utf8_length(const unsigned char *at, size_t left)
{
    const unsigned char c = at[0];
    size_t n;
    unsigned low = 0x80, high = 0xBF;
    if (c < 0x80)
        return 1;
    if (c >= 0xC2 && c <= 0xDF) {
        n = 2;
    } else if (c >= 0xE0 && c <= 0xEF) {
        n = 3;
        low = c == 0xE0 ? 0xA0 : 0x80;
        high = c == 0xED ? 0x9F : 0xBF;
    } else if (c >= 0xF0 && c <= 0xF4) {
        n = 4;
        low = c == 0xF0 ? 0x90 : 0x80;
        high = c == 0xF4 ? 0x8F : 0xBF;
    } else {
        return 0;
    }
    if (left < n || at[1] < low || at[1] > high)
        return 0;
    for (size_t i = 2; i < n; i++)
        if (at[i] < 0x80 || at[i] > 0xBF)
            return 0;
    return n;
}

static bool text_is_clean(struct reader *reader, const char *text, size_t length)
{
    int line = 1, column = 1;
    for (size_t i = 0; i < length;) {
        const unsigned char c = (unsigned char)text[i];
        const size_t n = utf8_length((const unsigned char *)text + i, length - i);
        if (n == 0) {
            fault_in(reader->faults, reader->file, line, column,
                     "byte 0x%02X is not valid UTF-8; save the file as UTF-8", c);
            return false;
        }
        if ((c < 0x20 && c != '\n' && c != '\r' && c != '\t') || c == 0x7F) {
            fault_in(reader->faults, reader->file, line, column,
                     "control character 0x%02X; expected text only", c);
            return false;
        }
        i += n;
        column++;
        if (c == '\n') {
            line++;
            column = 1;
        }
    }
    return true;
}

/* ---- what libyaml reports, in plain words ---- */

static const struct {
    const char *theirs, *ours;
} PROBLEMS[] = {
    {"found character that cannot start any token",
     "a tab or a character that can't begin a value; indent with spaces and put such a text in "
     "quotes"},
    {"mapping values are not allowed in this context",
     "a `:` where no key can stand; check the indentation of this line, or put a text that holds "
     "`: ` in quotes"},
    {"did not find expected key", "this line doesn't fit what stands above it; check its "
                                  "indentation and that brackets and quotes are closed"},
    {"could not find expected ':'", "a key without its `:`; expected `key: value`"},
    {"did not find expected '-' indicator", "this line doesn't belong to the list above it; each "
                                            "item begins with `- ` at the same indentation"},
    {"did not find expected ',' or '}'", "a `{` isn't closed; expected `,` or `}`"},
    {"did not find expected ',' or ']'", "a `[` isn't closed; expected `,` or `]`"},
    {"found unexpected end of stream", "the text ends inside quotes or brackets; close them"},
    {"found a tab character that violates indentation",
     "a tab in the indentation; indent with spaces"},
    {"found a tab character where an indentation space is expected",
     "a tab in the indentation; indent with spaces"},
    {"block sequence entries are not allowed in this context",
     "a list item `- ` where none can stand; put it on a line of its own below its key"},
    {"found undefined tag handle", "a tag (`!`) has no meaning here; leave it out"},
    {"did not find expected <document start>", "text after the end of the document"},
    {"did not find expected node content", "a value is missing here"},
    {"control characters are not allowed", "a control character; expected text only"},
};

static void fault_of_parser(struct reader *reader)
{
    const yaml_parser_t *parser = &reader->parser;
    const char *problem = parser->problem ? parser->problem : "the text can't be read";
    for (size_t i = 0; i < sizeof PROBLEMS / sizeof PROBLEMS[0]; i++)
        if (strcmp(problem, PROBLEMS[i].theirs) == 0)
            problem = PROBLEMS[i].ours;
    if (parser->context && parser->context_mark.line != parser->problem_mark.line)
        fault_in(reader->faults, reader->file, (int)parser->problem_mark.line + 1,
                 (int)parser->problem_mark.column + 1, "%s (begun in line %d)", problem,
                 (int)parser->context_mark.line + 1);
    else
        fault_in(reader->faults, reader->file, (int)parser->problem_mark.line + 1,
                 (int)parser->problem_mark.column + 1, "%s", problem);
}

/* ---- events to nodes ---- */

static bool next_event(struct reader *reader, yaml_event_t *event)
{
    if (yaml_parser_parse(&reader->parser, event))
        return true;
    fault_of_parser(reader);
    return false;
}

static bool refuse(struct reader *reader, const yaml_event_t *event, const char *why)
{
    fault_in(reader->faults, reader->file, (int)event->start_mark.line + 1,
             (int)event->start_mark.column + 1, "%s", why);
    return false;
}

static bool event_is_plain(struct reader *reader, const yaml_event_t *event)
{
    static const char ALIAS[] = "aliases (`*name`) are not used here; write the value out";
    static const char ANCHOR[] = "anchors (`&name`) are not used here; leave it out and write "
                                 "values out where they are needed";
    const yaml_char_t *anchor = NULL, *tag = NULL;
    if (event->type == YAML_ALIAS_EVENT)
        return refuse(reader, event, ALIAS);
    if (event->type == YAML_SCALAR_EVENT) {
        anchor = event->data.scalar.anchor;
        tag = event->data.scalar.tag;
    } else if (event->type == YAML_SEQUENCE_START_EVENT) {
        anchor = event->data.sequence_start.anchor;
        tag = event->data.sequence_start.tag;
    } else if (event->type == YAML_MAPPING_START_EVENT) {
        anchor = event->data.mapping_start.anchor;
        tag = event->data.mapping_start.tag;
    }
    if (anchor)
        return refuse(reader, event, ANCHOR);
    if (tag)
        return refuse(reader, event, "a tag (`!`) has no meaning here; leave it out");
    return true;
}

static struct node *node_make(struct reader *reader, const yaml_event_t *event)
{
    if (++reader->tree->n_nodes > NODES_MAX) {
        refuse(reader, event, "more than 50,000 values in one file; this is no configuration");
        return NULL;
    }
    struct node *node = arena_take(reader->tree, sizeof *node);
    if (!node) {
        refuse(reader, event, "no memory for this file");
        return NULL;
    }
    node->file = reader->file;
    node->line = (int)event->start_mark.line + 1;
    node->column = (int)event->start_mark.column + 1;
    node->text = "";
    return node;
}

static bool node_take_text(struct reader *reader, struct node *node, const yaml_event_t *event)
{
    const size_t length = event->data.scalar.length;
    char *text = arena_take(reader->tree, length + 1);
    if (!text)
        return refuse(reader, event, "no memory for this file");
    memcpy(text, event->data.scalar.value, length);
    node->kind = NODE_SCALAR;
    node->text = text;
    node->length = length;
    node->quoted = event->data.scalar.style != YAML_PLAIN_SCALAR_STYLE;
    return memchr(text, 0, length) == NULL ||
           refuse(reader, event, "a NUL character; expected text only");
}

static struct node *read_node(struct reader *reader, const yaml_event_t *event, int depth);

/* Adds the value of the key that `event` begins; a second value of the same key is a fault and is
 * dropped. */
static bool read_entry(struct reader *reader, struct node *map, const yaml_event_t *event,
                       int depth, struct node **last)
{
    if (event->type != YAML_SCALAR_EVENT && event->type != YAML_ALIAS_EVENT)
        return refuse(reader, event, "a key must be a plain word; expected `key: value`");
    struct node *key = read_node(reader, event, depth + 1);
    if (!key)
        return false;
    yaml_event_t value_event;
    if (!next_event(reader, &value_event))
        return false;
    struct node *value = read_node(reader, &value_event, depth + 1);
    yaml_event_delete(&value_event);
    if (!value)
        return false;
    value->key = key;
    const struct node *before = node_find(map, key->text);
    if (before) {
        fault_at(reader->faults, key, "`%s` stands twice, first in line %d; keep one of them",
                 key->text, before->key->line);
        return true;
    }
    if (++map->n > ENTRIES_MAX)
        return refuse(reader, event, "more than 1,000 entries in one section");
    if (*last)
        (*last)->next = value;
    else
        map->first = value;
    *last = value;
    return true;
}

static bool read_children(struct reader *reader, struct node *node, int depth)
{
    struct node *last = NULL;
    for (;;) {
        yaml_event_t event;
        bool good = next_event(reader, &event);
        if (!good)
            return false;
        if (event.type == YAML_MAPPING_END_EVENT || event.type == YAML_SEQUENCE_END_EVENT) {
            yaml_event_delete(&event);
            return true;
        }
        if (node->kind == NODE_MAP) {
            good = read_entry(reader, node, &event, depth, &last);
        } else {
            struct node *item = read_node(reader, &event, depth + 1);
            good = item != NULL;
            if (item && last)
                last->next = item;
            else if (item)
                node->first = item;
            last = item;
            node->n++;
        }
        yaml_event_delete(&event);
        if (!good)
            return false;
    }
}

static struct node *read_node(struct reader *reader, const yaml_event_t *event, int depth)
{
    if (depth > DEPTH_MAX) {
        refuse(reader, event, "more than 16 levels of nesting");
        return NULL;
    }
    if (!event_is_plain(reader, event))
        return NULL;
    struct node *node = node_make(reader, event);
    if (!node)
        return NULL;
    if (event->type == YAML_SCALAR_EVENT)
        return node_take_text(reader, node, event) ? node : NULL;
    node->kind = event->type == YAML_MAPPING_START_EVENT ? NODE_MAP : NODE_LIST;
    return read_children(reader, node, depth) ? node : NULL;
}

static bool read_documents(struct reader *reader)
{
    for (int documents = 0;;) {
        yaml_event_t event;
        if (!next_event(reader, &event))
            return false;
        bool good = true, end = false;
        if (event.type == YAML_STREAM_END_EVENT)
            end = true;
        else if (event.type == YAML_DOCUMENT_START_EVENT && documents++ > 0)
            good =
                refuse(reader, &event, "a second document begins here (`---`); one file holds one");
        else if (event.type == YAML_SCALAR_EVENT || event.type == YAML_ALIAS_EVENT ||
                 event.type == YAML_MAPPING_START_EVENT || event.type == YAML_SEQUENCE_START_EVENT)
            good = (reader->tree->root = read_node(reader, &event, 1)) != NULL;
        yaml_event_delete(&event);
        if (!good || end)
            return good;
    }
}

struct yaml_tree *yaml_tree_read(const char *file, const char *text, size_t length,
                                 struct plan_faults *faults)
{
    struct reader reader = {.file = file, .faults = faults};
    if (length > PLAN_TEXT_MAX) {
        fault_in(faults, file, 0, 0, "the file is larger than 1 MiB; this is no configuration");
        return NULL;
    }
    if (length >= 3 &&
        memcmp(text, "\xEF\xBB\xBF", 3) == 0) { /* some editors put this mark before UTF-8 */
        text += 3;
        length -= 3;
    }
    if (!text_is_clean(&reader, text, length))
        return NULL;
    reader.tree = calloc(1, sizeof *reader.tree);
    if (!reader.tree || !yaml_parser_initialize(&reader.parser)) {
        fault_in(faults, file, 0, 0, "no memory for this file");
        free(reader.tree);
        return NULL;
    }
    yaml_parser_set_encoding(&reader.parser, YAML_UTF8_ENCODING);
    yaml_parser_set_input_string(&reader.parser, (const unsigned char *)text, length);
    bool good = read_documents(&reader);
    yaml_parser_delete(&reader.parser);
    if (good && !reader.tree->root) {
        fault_in(faults, file, 0, 0, "the file is empty; expected a configuration or a map");
        good = false;
    }
    if (good)
        return reader.tree;
    yaml_tree_free(reader.tree);
    return NULL;
}

const struct node *node_find(const struct node *map, const char *key)
{
    if (!map || map->kind != NODE_MAP)
        return NULL;
    for (const struct node *at = map->first; at; at = at->next)
        if (strcmp(at->key->text, key) == 0)
            return at;
    return NULL;
}

bool node_is(const struct node *node, const char *text)
{
    return node && node->kind == NODE_SCALAR && strcmp(node->text, text) == 0;
}

const char *node_kind_name(const struct node *node)
{
    if (node->kind == NODE_MAP)
        return "a section";
    if (node->kind == NODE_LIST)
        return "a list";
    return node->length == 0 ? "nothing" : "a single value";
}
