/* The getters of yaml_strict.h. */
#include "datasets/format/yaml_strict.h"

#include "datasets/format/yaml_tree.h"
#include "rig/base/number.h"

#include <stdlib.h>
#include <string.h>

/* A key further than this from every known one is not taken for a misspelling. */
#define MISSPELLING_MAX  3
#define KEY_COMPARED_MAX 64

/* Number of single-character edits from a to b (Levenshtein 1966, by the usual two-row table). */
static size_t edit_distance(const char *a, const char *b)
{
    size_t row[KEY_COMPARED_MAX + 1] = {0};
    size_t a_length = strlen(a);
    size_t b_length = strlen(b);
    if (a_length > KEY_COMPARED_MAX || b_length > KEY_COMPARED_MAX)
        return KEY_COMPARED_MAX + 1;
    for (size_t j = 0; j <= b_length; j++)
        row[j] = j;
    for (size_t i = 1; i <= a_length; i++) {
        size_t diagonal = row[0];
        row[0] = i;
        for (size_t j = 1; j <= b_length; j++) {
            size_t replaced = diagonal + (a[i - 1] != b[j - 1]);
            size_t least = row[j - 1] < row[j] ? row[j - 1] + 1 : row[j] + 1;
            diagonal = row[j];
            row[j] = replaced < least ? replaced : least;
        }
    }
    return row[b_length];
}

static enum err_code remember(const struct yaml_node *mapping, const char *key, struct err *e)
{
    struct known_keys *known = mapping->known;
    for (size_t i = 0; i < known->count; i++) {
        if (strcmp(known->names[i], key) == 0)
            return ERR_OK;
    }
    if (known->count == known->capacity) {
        size_t capacity = known->capacity == 0 ? 16 : 2 * known->capacity;
        char **names = realloc(known->names, capacity * sizeof *names);
        if (names == NULL)
            return err_set(e, ERR_MEMORY, "no memory to read %s", mapping->document->name);
        known->names = names;
        known->capacity = capacity;
    }
    known->names[known->count] = strdup(key);
    if (known->names[known->count] == NULL)
        return err_set(e, ERR_MEMORY, "no memory to read %s", mapping->document->name);
    known->count++;
    return ERR_OK;
}

/* A required key that is missing is mostly there, misspelt; that place helps more than where the mapping
 * begins. */
static enum err_code complain_missing(const struct yaml_node *mapping, const char *key, struct err *e)
{
    for (size_t i = 0; i < mapping->count; i++) {
        const struct yaml_entry *entry = &mapping->entries[i];
        if (!entry->asked && 3 * edit_distance(entry->key, key) <= strlen(key))
            return yaml_tree_complain(mapping->document, entry->line, entry->column, e,
                                      "the key '%s' is missing; is '%.60s' a misspelling of it?", key,
                                      entry->key);
    }
    return yaml_complain(mapping, e, "the key '%s' is missing in the mapping that begins here", key);
}

enum err_code yaml_get_node(const struct yaml_node *mapping, const char *key, bool required,
                            const struct yaml_node **value, struct err *e)
{
    enum err_code code;
    *value = NULL;
    if (!yaml_is_mapping(mapping))
        return yaml_complain(mapping, e, "here must be a mapping of keys to values, with the key '%s'", key);
    code = remember(mapping, key, e);
    if (code != ERR_OK)
        return code;
    for (size_t i = 0; i < mapping->count; i++) {
        if (strcmp(mapping->entries[i].key, key) == 0) {
            mapping->entries[i].asked = true;
            *value = mapping->entries[i].value;
            return ERR_OK;
        }
    }
    return required ? complain_missing(mapping, key, e) : ERR_OK;
}

/* The scalar under key, or NULL when it is absent and not required. */
static enum err_code get_scalar(const struct yaml_node *mapping, const char *key, bool required,
                                const struct yaml_node **value, struct err *e)
{
    enum err_code code = yaml_get_node(mapping, key, required, value, e);
    if (code == ERR_OK && *value != NULL && (*value)->kind != NODE_SCALAR)
        return yaml_complain(*value, e, "%s: a single value is wanted here, not a list or mapping", key);
    if (code == ERR_OK && *value != NULL && (*value)->plain && (*value)->text[0] == 0)
        return yaml_complain(*value, e, "%s: has no value", key);
    return code;
}

static enum err_code refuse_quotes(const struct yaml_node *scalar, const char *what, struct err *e)
{
    return scalar->plain ? ERR_OK : yaml_complain(scalar, e, "%s: write it without quotes", what);
}

enum err_code yaml_read_double(const struct yaml_node *scalar, const char *what, double low, double high,
                               const char *unit, double *value, struct err *e)
{
    struct err inner;
    enum err_code code;
    if (scalar->kind != NODE_SCALAR)
        return yaml_complain(scalar, e, "%s: a number is wanted here, not a list or mapping", what);
    code = refuse_quotes(scalar, what, e);
    if (code != ERR_OK)
        return code;
    if (number_read_double(scalar->text, low, high, what, unit, value, &inner) != ERR_OK)
        return yaml_complain(scalar, e, "%s", inner.text);
    return ERR_OK;
}

enum err_code yaml_get_double(const struct yaml_node *mapping, const char *key, bool required, double low,
                              double high, const char *unit, double *value, struct err *e)
{
    const struct yaml_node *scalar;
    enum err_code code = get_scalar(mapping, key, required, &scalar, e);
    if (code != ERR_OK || scalar == NULL)
        return code;
    return yaml_read_double(scalar, key, low, high, unit, value, e);
}

enum err_code yaml_get_int64(const struct yaml_node *mapping, const char *key, bool required, int64_t low,
                             int64_t high, const char *unit, int64_t *value, struct err *e)
{
    struct err inner;
    const struct yaml_node *scalar;
    enum err_code code = get_scalar(mapping, key, required, &scalar, e);
    if (code == ERR_OK && scalar != NULL)
        code = refuse_quotes(scalar, key, e);
    if (code != ERR_OK || scalar == NULL)
        return code;
    if (number_read_int64(scalar->text, low, high, key, unit, value, &inner) != ERR_OK)
        return yaml_complain(scalar, e, "%s", inner.text);
    return ERR_OK;
}

enum err_code yaml_get_int(const struct yaml_node *mapping, const char *key, bool required, int low, int high,
                           int *value, struct err *e)
{
    int64_t whole = *value;
    enum err_code code = yaml_get_int64(mapping, key, required, low, high, "", &whole, e);
    *value = (int)whole;
    return code;
}

enum err_code yaml_get_list(const struct yaml_node *mapping, const char *key, bool required, size_t max,
                            const struct yaml_node **list, struct err *e)
{
    enum err_code code = yaml_get_node(mapping, key, required, list, e);
    if (code != ERR_OK || *list == NULL)
        return code;
    if (!yaml_is_list(*list))
        return yaml_complain(*list, e, "%s: a list is wanted here", key);
    if (yaml_length(*list) == 0)
        return yaml_complain(*list, e, "%s: the list is empty", key);
    if (yaml_length(*list) > max)
        return yaml_complain(yaml_item(*list, max), e, "%s: more than %zu entries", key, max);
    return ERR_OK;
}

enum err_code yaml_get_bool(const struct yaml_node *mapping, const char *key, bool required, bool *value,
                            struct err *e)
{
    const struct yaml_node *scalar;
    enum err_code code = get_scalar(mapping, key, required, &scalar, e);
    if (code == ERR_OK && scalar != NULL)
        code = refuse_quotes(scalar, key, e);
    if (code != ERR_OK || scalar == NULL)
        return code;
    if (strcmp(scalar->text, "true") != 0 && strcmp(scalar->text, "false") != 0)
        return yaml_complain(scalar, e, "%s: '%.60s' is neither true nor false", key, scalar->text);
    *value = scalar->text[0] == 't';
    return ERR_OK;
}

/* C0, DEL and C1 (0xC2 0x80 to 0xC2 0x9F in UTF-8). */
static bool has_control_character(const char *text)
{
    for (const unsigned char *p = (const unsigned char *)text; *p != 0; p++) {
        if (*p < 0x20 || *p == 0x7F || (*p == 0xC2 && p[1] < 0xA0))
            return true;
    }
    return false;
}

enum err_code yaml_get_text(const struct yaml_node *mapping, const char *key, bool required, char *value,
                            size_t size, struct err *e)
{
    const struct yaml_node *scalar;
    enum err_code code = get_scalar(mapping, key, required, &scalar, e);
    if (code != ERR_OK || scalar == NULL)
        return code;
    if (scalar->text[0] == 0)
        return yaml_complain(scalar, e, "%s: must not be empty", key);
    if (has_control_character(scalar->text))
        return yaml_complain(
            scalar, e, "%s: must be one line without control characters (a long text can be folded with >-)",
            key);
    if (strlen(scalar->text) >= size)
        return yaml_complain(scalar, e, "%s: is %zu bytes long; at most %zu are allowed", key,
                             strlen(scalar->text), size - 1);
    memcpy(value, scalar->text, strlen(scalar->text) + 1);
    return ERR_OK;
}

static const char *nearest_known(const struct known_keys *known, const char *key)
{
    const char *nearest = NULL;
    size_t least = MISSPELLING_MAX + 1;
    for (size_t i = 0; i < known->count; i++) {
        size_t distance = edit_distance(key, known->names[i]);
        /* Three edits turn any three-letter word into any other: allow only a part of the word. */
        if (distance < least && 2 * distance <= strlen(known->names[i])) {
            least = distance;
            nearest = known->names[i];
        }
    }
    return nearest;
}

enum err_code yaml_strict_finish(const struct yaml_node *mapping, struct err *e)
{
    if (!yaml_is_mapping(mapping))
        return yaml_complain(mapping, e, "here must be a mapping of keys to values");
    for (size_t i = 0; i < mapping->count; i++) {
        const struct yaml_entry *entry = &mapping->entries[i];
        const char *nearest;
        if (entry->asked)
            continue;
        nearest = nearest_known(mapping->known, entry->key);
        return yaml_tree_complain(mapping->document, entry->line, entry->column, e,
                                  "unknown key '%.60s'%s%s%s", entry->key,
                                  nearest == NULL ? "" : "; did you mean '", nearest == NULL ? "" : nearest,
                                  nearest == NULL ? "" : "'?");
    }
    return ERR_OK;
}
