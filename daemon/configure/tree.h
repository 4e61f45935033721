/* SPDX-License-Identifier: Apache-2.0
 *
 * tree.h - a configuration text as a bounded tree of nodes, each with the place where it stands;
 * and the list of faults.
 */
#ifndef UPHOLE_CONFIGURE_TREE_H
#define UPHOLE_CONFIGURE_TREE_H

#include "uphole/plan.h"

enum node_kind { NODE_NONE = 0, NODE_SCALAR, NODE_LIST, NODE_MAP };

/** One value. An entry of a mapping has its key beside it; `text` of a scalar ends with NUL. */
struct node {
    uint8_t kind;
    bool quoted;      /* written in quotes: a text, whatever it looks like */
    int line, column; /* from 1 */
    int n;            /* children */
    const char *file;
    const char *text;
    size_t length;
    const struct node *key; /* NULL but in a mapping */
    const struct node *first, *next;
};

struct yaml_tree; /* opaque: owns the nodes and their texts */

/**
 * Reads one document of block or flow YAML. Bounds: PLAN_TEXT_MAX bytes, 16 levels, 50,000 nodes,
 * 1,000 entries a mapping. Aliases, anchors, tags and a second document are faults. `file` stands
 * in faults and must outlive the tree. NULL where the text is no tree; duplicate keys are faults,
 * but leave a tree.
 */
struct yaml_tree *yaml_tree_read(const char *file, const char *text, size_t length,
                                 struct plan_faults *faults);
const struct node *yaml_tree_root(const struct yaml_tree *tree);
void yaml_tree_free(struct yaml_tree *tree);

/** The value of `key` in a mapping; NULL where it isn't there or `map` is none. */
const struct node *node_find(const struct node *map, const char *key);
/** True where a scalar reads exactly `text`. */
bool node_is(const struct node *node, const char *text);
/** "a text", "a list", "a mapping", for messages. */
const char *node_kind_name(const struct node *node);

/** Adds a fault at a node; beyond PLAN_ERRORS_MAX it is only counted. */
__attribute__((format(printf, 3, 4))) void
fault_at(struct plan_faults *faults, const struct node *node, const char *format, ...);
/** The same at a place given by numbers; line 0: the whole file. */
__attribute__((format(printf, 5, 6))) void fault_in(struct plan_faults *faults, const char *file,
                                                    int line, int column, const char *format, ...);
/** Puts faults in the order of the text, the file `first` before the others, and drops repeats. */
void faults_sort(struct plan_faults *faults, const char *first);

#endif
