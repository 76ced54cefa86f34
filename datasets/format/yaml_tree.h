/* The tree behind yaml_strict.h. Only yaml_strict.c, which builds it, and yaml_get.c, which asks it, include
 * this. */
#ifndef DATASETS_FORMAT_YAML_TREE_H
#define DATASETS_FORMAT_YAML_TREE_H

#include "datasets/format/yaml_strict.h"

enum node_kind { NODE_SCALAR, NODE_LIST, NODE_MAPPING };

struct yaml_entry {
    char *key; /* NULL in a list */
    size_t line, column;
    struct yaml_node *value;
    bool asked;
};

/* The keys that getters asked a mapping for, whether they were there or not: what a misspelt key is compared
 * with. */
struct known_keys {
    char **names;
    size_t count, capacity;
};

struct yaml_node {
    enum node_kind kind;
    bool plain;          /* a scalar without quotes: only those are numbers and booleans */
    size_t line, column; /* 1-based */
    char *text;
    struct yaml_entry *entries;
    size_t count, capacity;
    struct known_keys *known; /* only of a mapping */
    const struct yaml_document *document;
    struct yaml_node *next; /* all nodes of the document, for freeing */
};

struct yaml_document {
    char *name;
    char *text; /* with a zero byte after it */
    size_t length;
    struct yaml_node *root;
    struct yaml_node *nodes;
};

/* ERR_FILE at a 1-based line and character column of the document, with that source line for the caret. */
enum err_code yaml_tree_complain(const struct yaml_document *d, size_t line, size_t column, struct err *e,
                                 const char *format, ...) __attribute__((format(printf, 5, 6)));

#endif
