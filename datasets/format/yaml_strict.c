#include "datasets/format/yaml_strict.h"

#include "datasets/format/file_bytes.h"
#include "datasets/format/yaml_tree.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <yaml.h>

#define FILE_BYTES_MAX (64 * 1024)
#define DEPTH_MAX      8
/* Far more than any schema has; it keeps the search for duplicate keys short on a hostile file. */
#define MAPPING_ENTRIES_MAX 256

/* Copy line number `line` of the text into source (without its break) for the caret display. Breaks are LF,
 * CR and CR LF, as libyaml counts them; its three rarer ones are refused before parsing. */
static void copy_source_line(const struct yaml_document *d, size_t line, char *source, size_t size)
{
    const char *p = d->text;
    const char *end = d->text + d->length;
    size_t n = 0;
    for (size_t at = 1; at < line && p < end; p++) {
        if (*p == '\n' || (*p == '\r' && (p + 1 == end || p[1] != '\n')))
            at++;
    }
    while (p + n < end && p[n] != '\n' && p[n] != '\r' && p[n] != 0 && n + 1 < size)
        n++;
    memcpy(source, p, n);
    source[n] = 0;
}

enum err_code yaml_tree_complain(const struct yaml_document *d, size_t line, size_t column, struct err *e,
                                 const char *format, ...)
{
    char text[sizeof e->text];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    err_set_at(e, ERR_FILE, d->name, (int64_t)line, (int64_t)column, "%s", text);
    if (e != NULL)
        copy_source_line(d, line, e->source, sizeof e->source);
    return ERR_FILE;
}

static enum err_code no_memory(const struct yaml_document *d, struct err *e)
{
    return err_set_at(e, ERR_MEMORY, d->name, 0, 0, "no memory to read it");
}

enum err_code yaml_complain(const struct yaml_node *node, struct err *e, const char *format, ...)
{
    char text[sizeof e->text];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    return yaml_tree_complain(node->document, node->line, node->column, e, "%s", text);
}

static struct yaml_node *node_new(struct yaml_document *d, enum node_kind kind, yaml_mark_t mark)
{
    struct yaml_node *node = calloc(1, sizeof *node);
    if (node == NULL)
        return NULL;
    if (kind == NODE_MAPPING && (node->known = calloc(1, sizeof *node->known)) == NULL) {
        free(node);
        return NULL;
    }
    node->kind = kind;
    node->line = mark.line + 1;
    node->column = mark.column + 1;
    node->document = d;
    node->next = d->nodes;
    d->nodes = node;
    return node;
}

static struct yaml_entry *entry_new(struct yaml_node *parent)
{
    if (parent->count == parent->capacity) {
        size_t capacity = parent->capacity == 0 ? 8 : 2 * parent->capacity;
        struct yaml_entry *entries = realloc(parent->entries, capacity * sizeof *entries);
        if (entries == NULL)
            return NULL;
        parent->entries = entries;
        parent->capacity = capacity;
    }
    memset(&parent->entries[parent->count], 0, sizeof parent->entries[0]);
    return &parent->entries[parent->count++];
}

static enum err_code add_key(struct yaml_document *d, struct yaml_node *mapping, const yaml_event_t *event,
                             struct err *e)
{
    size_t line = event->start_mark.line + 1;
    size_t column = event->start_mark.column + 1;
    const char *key;
    struct yaml_entry *entry;
    if (event->type != YAML_SCALAR_EVENT || event->data.scalar.style != YAML_PLAIN_SCALAR_STYLE ||
        event->data.scalar.length == 0)
        return yaml_tree_complain(d, line, column, e, "a key must be a plain word");
    key = (const char *)event->data.scalar.value;
    for (size_t i = 0; i < mapping->count; i++) {
        if (strcmp(mapping->entries[i].key, key) == 0)
            return yaml_tree_complain(d, line, column, e, "duplicate key '%.60s'; the first is in line %zu",
                                      key, mapping->entries[i].line);
    }
    if (mapping->count == MAPPING_ENTRIES_MAX)
        return yaml_tree_complain(d, line, column, e, "more than %d keys in one mapping",
                                  MAPPING_ENTRIES_MAX);
    entry = entry_new(mapping);
    if (entry == NULL)
        return no_memory(d, e);
    entry->line = line;
    entry->column = column;
    entry->key = strdup(key);
    return entry->key == NULL ? no_memory(d, e) : ERR_OK;
}

/* Hang node under parent (NULL: it is the root). In a mapping the last entry is the key that waits for its
 * value. */
static enum err_code attach(struct yaml_document *d, struct yaml_node *parent, struct yaml_node *node,
                            struct err *e)
{
    struct yaml_entry *entry;
    if (parent == NULL) {
        d->root = node;
        return ERR_OK;
    }
    entry = parent->kind == NODE_MAPPING ? &parent->entries[parent->count - 1] : entry_new(parent);
    if (entry == NULL)
        return no_memory(d, e);
    entry->value = node;
    return ERR_OK;
}

static bool waits_for_key(const struct yaml_node *parent)
{
    return parent != NULL && parent->kind == NODE_MAPPING &&
           (parent->count == 0 || parent->entries[parent->count - 1].value != NULL);
}

struct builder {
    struct yaml_document *document;
    struct yaml_node *open[DEPTH_MAX];
    size_t depth;
    size_t documents;
};

/* An anchor or tag of the event, if any, is a refusal. */
static enum err_code refuse_properties(const struct builder *b, const yaml_event_t *event,
                                       const yaml_char_t *anchor, const yaml_char_t *tag, struct err *e)
{
    size_t line = event->start_mark.line + 1;
    size_t column = event->start_mark.column + 1;
    if (anchor != NULL)
        return yaml_tree_complain(b->document, line, column, e, "anchors (&%.40s) are not allowed",
                                  (const char *)anchor);
    if (tag != NULL)
        return yaml_tree_complain(b->document, line, column, e, "tags (!...) are not allowed");
    return ERR_OK;
}

static enum err_code take_scalar(struct builder *b, const yaml_event_t *event, struct err *e)
{
    struct yaml_document *d = b->document;
    struct yaml_node *parent = b->depth == 0 ? NULL : b->open[b->depth - 1];
    struct yaml_node *node;
    enum err_code code = refuse_properties(b, event, event->data.scalar.anchor, event->data.scalar.tag, e);
    if (code != ERR_OK)
        return code;
    if (strlen((const char *)event->data.scalar.value) != event->data.scalar.length)
        return yaml_tree_complain(d, event->start_mark.line + 1, event->start_mark.column + 1, e,
                                  "a NUL character is not allowed");
    if (waits_for_key(parent))
        return add_key(d, parent, event, e);
    node = node_new(d, NODE_SCALAR, event->start_mark);
    if (node == NULL)
        return no_memory(d, e);
    node->plain = event->data.scalar.style == YAML_PLAIN_SCALAR_STYLE;
    node->text = strdup((const char *)event->data.scalar.value);
    if (node->text == NULL)
        return no_memory(d, e);
    return attach(d, parent, node, e);
}

static enum err_code take_collection(struct builder *b, const yaml_event_t *event, struct err *e)
{
    struct yaml_document *d = b->document;
    struct yaml_node *parent = b->depth == 0 ? NULL : b->open[b->depth - 1];
    bool mapping = event->type == YAML_MAPPING_START_EVENT;
    struct yaml_node *node;
    enum err_code code = refuse_properties(
        b, event, mapping ? event->data.mapping_start.anchor : event->data.sequence_start.anchor,
        mapping ? event->data.mapping_start.tag : event->data.sequence_start.tag, e);
    if (code != ERR_OK)
        return code;
    if (waits_for_key(parent))
        return add_key(d, parent, event, e);
    if (b->depth == DEPTH_MAX)
        return yaml_tree_complain(d, event->start_mark.line + 1, event->start_mark.column + 1, e,
                                  "nested more than %d levels deep", DEPTH_MAX);
    node = node_new(d, mapping ? NODE_MAPPING : NODE_LIST, event->start_mark);
    if (node == NULL)
        return no_memory(d, e);
    code = attach(d, parent, node, e);
    b->open[b->depth++] = node;
    return code;
}

static enum err_code take_event(struct builder *b, const yaml_event_t *event, struct err *e)
{
    struct yaml_document *d = b->document;
    size_t line = event->start_mark.line + 1;
    size_t column = event->start_mark.column + 1;
    switch (event->type) {
    case YAML_DOCUMENT_START_EVENT:
        if (event->data.document_start.version_directive != NULL ||
            event->data.document_start.tag_directives.start != event->data.document_start.tag_directives.end)
            return yaml_tree_complain(d, line, column, e, "directives (%%...) are not allowed");
        if (++b->documents > 1)
            return yaml_tree_complain(d, line, column, e, "a second document is not allowed");
        return ERR_OK;
    case YAML_ALIAS_EVENT:
        return yaml_tree_complain(d, line, column, e, "aliases (*%.40s) are not allowed",
                                  (const char *)event->data.alias.anchor);
    case YAML_SCALAR_EVENT:
        return take_scalar(b, event, e);
    case YAML_SEQUENCE_START_EVENT:
    case YAML_MAPPING_START_EVENT:
        return take_collection(b, event, e);
    case YAML_SEQUENCE_END_EVENT:
    case YAML_MAPPING_END_EVENT:
        b->depth--;
        return ERR_OK;
    case YAML_NO_EVENT:
    case YAML_STREAM_START_EVENT:
    case YAML_STREAM_END_EVENT:
    case YAML_DOCUMENT_END_EVENT:
        break;
    }
    return ERR_OK;
}

/* 1-based line and character column of a byte offset. */
static void place_of(const struct yaml_document *d, size_t offset, size_t *line, size_t *column)
{
    *line = 1;
    *column = 1;
    for (size_t i = 0; i < offset && i < d->length; i++) {
        if (d->text[i] == '\n') {
            ++*line;
            *column = 1;
        } else if ((d->text[i] & 0xC0) != 0x80) {
            ++*column;
        }
    }
}

/* Whether a line (from 0) is set in by a tab, of which libyaml says only that it begins nothing. */
static bool has_tab_in_front(const struct yaml_document *d, size_t line)
{
    const char *text = d->text;
    for (; line > 0 && text != NULL; line--) {
        text = strchr(text, '\n');
        text = text == NULL ? NULL : text + 1;
    }
    return text != NULL && text[strspn(text, " ")] == '\t';
}

static enum err_code parser_error(const struct yaml_document *d, const yaml_parser_t *parser, struct err *e)
{
    size_t line;
    size_t column;
    const char *problem = parser->problem == NULL ? "cannot be read" : parser->problem;
    if (parser->error == YAML_MEMORY_ERROR)
        return no_memory(d, e);
    if (parser->error == YAML_READER_ERROR) {
        place_of(d, parser->problem_offset, &line, &column);
        return yaml_tree_complain(d, line, column, e, "byte %zu: %s", parser->problem_offset, problem);
    }
    if (has_tab_in_front(d, parser->problem_mark.line))
        return yaml_tree_complain(d, parser->problem_mark.line + 1, parser->problem_mark.column + 1, e,
                                  "a line is set in by spaces, never by a tab");
    return yaml_tree_complain(d, parser->problem_mark.line + 1, parser->problem_mark.column + 1, e, "%s%s%s",
                              problem, parser->context == NULL ? "" : " ",
                              parser->context == NULL ? "" : parser->context);
}

/* U+0085, U+2028 and U+2029 end a line for libyaml and for hardly any editor: lines would be miscounted, and
 * text after one could look like part of a comment. */
static enum err_code refuse_rare_line_breaks(const struct yaml_document *d, struct err *e)
{
    static const char *const breaks[] = {"\xC2\x85", "\xE2\x80\xA8", "\xE2\x80\xA9"};
    for (size_t i = 0; i < sizeof breaks / sizeof breaks[0]; i++) {
        const char *found = memmem(d->text, d->length, breaks[i], strlen(breaks[i]));
        if (found != NULL) {
            size_t line;
            size_t column;
            place_of(d, (size_t)(found - d->text), &line, &column);
            return yaml_tree_complain(d, line, column, e, "an unusual line break character is not allowed");
        }
    }
    return ERR_OK;
}

static enum err_code build(struct yaml_document *d, struct err *e)
{
    yaml_parser_t parser;
    struct builder b = {.document = d};
    bool done = false;
    enum err_code code = refuse_rare_line_breaks(d, e);
    if (code != ERR_OK)
        return code;
    if (yaml_parser_initialize(&parser) == 0)
        return no_memory(d, e);
    /* Without this a byte order mark would switch it to UTF-16. */
    yaml_parser_set_encoding(&parser, YAML_UTF8_ENCODING);
    yaml_parser_set_input_string(&parser, (const unsigned char *)d->text, d->length);
    while (code == ERR_OK && !done) {
        yaml_event_t event;
        if (yaml_parser_parse(&parser, &event) == 0) {
            code = parser_error(d, &parser, e);
            break;
        }
        code = take_event(&b, &event, e);
        done = event.type == YAML_STREAM_END_EVENT;
        yaml_event_delete(&event);
    }
    yaml_parser_delete(&parser);
    if (code == ERR_OK && d->root == NULL)
        code = yaml_tree_complain(d, 1, 1, e, "is empty");
    return code;
}

enum err_code yaml_strict_parse(const char *text, size_t length, const char *name,
                                struct yaml_document **document, struct err *e)
{
    struct yaml_document *d;
    enum err_code code;
    *document = NULL;
    if (length > FILE_BYTES_MAX)
        return err_set_at(e, ERR_FILE, name, 0, 0, "is %zu bytes long; at most %d are allowed", length,
                          FILE_BYTES_MAX);
    if (length >= 3 && memcmp(text, "\xEF\xBB\xBF", 3) == 0) {
        text += 3;
        length -= 3;
    }
    d = calloc(1, sizeof *d);
    if (d == NULL)
        return err_set_at(e, ERR_MEMORY, name, 0, 0, "no memory to read it");
    d->name = strdup(name);
    d->text = malloc(length + 1);
    if (d->name == NULL || d->text == NULL) {
        yaml_strict_free(d);
        return err_set_at(e, ERR_MEMORY, name, 0, 0, "no memory to read it");
    }
    memcpy(d->text, text, length);
    d->text[length] = 0;
    d->length = length;
    code = build(d, e);
    if (code != ERR_OK) {
        yaml_strict_free(d);
        return code;
    }
    *document = d;
    return ERR_OK;
}

enum err_code yaml_strict_read(const char *path, struct yaml_document **document, struct err *e)
{
    char *text;
    size_t length;
    enum err_code code = file_bytes_read(path, FILE_BYTES_MAX, &text, &length, e);
    *document = NULL;
    if (code != ERR_OK)
        return code;
    code = yaml_strict_parse(text, length, path, document, e);
    free(text);
    return code;
}

void yaml_strict_free(struct yaml_document *document)
{
    if (document == NULL)
        return;
    for (struct yaml_node *node = document->nodes; node != NULL;) {
        struct yaml_node *next = node->next;
        for (size_t i = 0; i < node->count; i++)
            free(node->entries[i].key);
        free(node->entries);
        if (node->known != NULL) {
            for (size_t i = 0; i < node->known->count; i++)
                free(node->known->names[i]);
            free(node->known->names);
            free(node->known);
        }
        free(node->text);
        free(node);
        node = next;
    }
    free(document->text);
    free(document->name);
    free(document);
}

const struct yaml_node *yaml_root(const struct yaml_document *document)
{
    return document->root;
}

bool yaml_is_mapping(const struct yaml_node *node)
{
    return node != NULL && node->kind == NODE_MAPPING;
}

bool yaml_is_list(const struct yaml_node *node)
{
    return node != NULL && node->kind == NODE_LIST;
}

bool yaml_is_scalar(const struct yaml_node *node)
{
    return node != NULL && node->kind == NODE_SCALAR;
}

size_t yaml_length(const struct yaml_node *node)
{
    return node == NULL ? 0 : node->count;
}

const struct yaml_node *yaml_item(const struct yaml_node *list, size_t i)
{
    return yaml_is_list(list) && i < list->count ? list->entries[i].value : NULL;
}

const char *yaml_key(const struct yaml_node *mapping, size_t i)
{
    return yaml_is_mapping(mapping) && i < mapping->count ? mapping->entries[i].key : NULL;
}

const struct yaml_node *yaml_value(const struct yaml_node *mapping, size_t i)
{
    return yaml_is_mapping(mapping) && i < mapping->count ? mapping->entries[i].value : NULL;
}

const char *yaml_text(const struct yaml_node *scalar)
{
    return yaml_is_scalar(scalar) ? scalar->text : "";
}
