#include "datasets/format/descriptor_pieces.h"

#include "datasets/format/descriptor_whole.h"
#include "datasets/format/file_bytes.h"
#include "datasets/format/json_region.h"

#include <stdlib.h>
#include <string.h>

/* So much of it is passed before it is let go. */
#define PIECE_BYTES ((size_t)256 * 1024)

/* So many objects that are members of entries are looked out for again. */
#define KNOWN_MAX 4

/* The text of one. */
struct known {
    const char *text;
    size_t length;
};

/* The text of a descriptor in a mapped file. */
struct piecewise {
    const char *path, *text, *at, *end, *passed; /* passed: up to there it is hashed and let go */
    const char *list, *list_end;                 /* the opening bracket, and behind the closing one */
    struct file_bytes_hasher *hasher;            /* NULL: no hash is asked for */
    struct descriptor *d;
    size_t room; /* in d->resources */
    bool no_memory;
    struct known known[KNOWN_MAX];
    size_t next_known; /* to be forgotten for another one */
};

static void let_go(struct piecewise *p, size_t least)
{
    if ((size_t)(p->at - p->passed) < least)
        return;
    if (p->hasher != NULL)
        file_bytes_hasher_add(p->hasher, p->passed, (size_t)(p->at - p->passed));
    file_bytes_let_go(p->text, (size_t)(p->passed - p->text), (size_t)(p->at - p->text));
    p->passed = p->at;
}

static void pass_blanks(struct piecewise *p)
{
    while (p->at < p->end && (*p->at == ' ' || *p->at == '\t' || *p->at == '\n' || *p->at == '\r'))
        p->at++;
}

/* Pass c and the blanks around it, if it comes next. */
static bool pass(struct piecewise *p, char c)
{
    pass_blanks(p);
    if (p->at == p->end || *p->at != c)
        return false;
    p->at++;
    pass_blanks(p);
    return true;
}

/* The value that begins here; new reference, NULL where there is none that is good. */
static json_t *take_value(struct piecewise *p)
{
    json_error_t error = {0};
    json_t *value = json_loadb(p->at, (size_t)(p->end - p->at),
                               JSON_REJECT_DUPLICATES | JSON_DISABLE_EOF_CHECK | JSON_DECODE_ANY, &error);
    if (value != NULL)
        p->at += error.position;
    else if (error.text[0] == 0 || json_error_code(&error) == json_error_out_of_memory)
        p->no_memory = true;
    return value;
}

/* Room for one resource more. */
static bool grow(struct piecewise *p)
{
    size_t room = p->room == 0 ? 64 : 2 * p->room;
    struct descriptor_resource *more;
    if (p->d->count < p->room)
        return true;
    more = realloc(p->d->resources, room * sizeof *more);
    if (more == NULL) {
        p->no_memory = true;
        return false;
    }
    p->d->resources = more;
    p->room = room;
    return true;
}

/* The value of a member of an entry. Tables of runs have the same dialect and schema, which are most of their
 * text: an object that is the same to the byte as one before is good as well, and is not read again. It
 * stands as true, since nothing is asked of it. */
static json_t *take_entry_value(struct piecewise *p)
{
    const char *text = p->at;
    bool object = p->at < p->end && *p->at == '{';
    json_t *value;
    for (size_t i = 0; object && i < KNOWN_MAX && p->known[i].length > 0; i++) {
        struct known *k = &p->known[i];
        if (k->length <= (size_t)(p->end - text) && memcmp(text, k->text, k->length) == 0) {
            k->text = text;
            p->at += k->length;
            return json_true();
        }
    }
    value = take_value(p);
    if (value != NULL && object)
        p->known[p->next_known++ % KNOWN_MAX] = (struct known){text, (size_t)(p->at - text)};
    return value;
}

/* A key and its value of an entry, which must not have that key yet. */
static bool take_entry_member(struct piecewise *p, json_t *entry)
{
    json_t *key = take_value(p);
    const char *name = json_string_value(key);
    bool new_key = name != NULL && pass(p, ':') && json_object_get(entry, name) == NULL;
    json_t *value = new_key ? take_entry_value(p) : NULL;
    bool good = value != NULL && json_object_set_new(entry, name, value) == 0;
    p->no_memory = p->no_memory || (value != NULL && !good);
    json_decref(key);
    return good;
}

/* The entry that begins here; new reference, NULL where there is none that is good. */
static json_t *take_object(struct piecewise *p)
{
    json_t *entry = json_object();
    bool good = entry != NULL && pass(p, '{');
    p->no_memory = p->no_memory || entry == NULL;
    if (good && !pass(p, '}')) {
        do {
            good = take_entry_member(p, entry);
        } while (good && pass(p, ','));
        good = good && pass(p, '}');
    }
    if (!good) {
        json_decref(entry);
        return NULL;
    }
    return entry;
}

static bool take_entry(struct piecewise *p)
{
    struct err why = {0};
    struct descriptor_resource r = {0};
    struct json_region region;
    json_t *entry;
    bool good;
    json_region_open(&region);
    entry = p->d->count == DESCRIPTOR_RESOURCES_MAX ? NULL : take_object(p);
    good = entry != NULL && grow(p);
    if (good) {
        good = descriptor_whole_resource(entry, p->d->count, p->path, &r, &why) == ERR_OK;
        p->no_memory = p->no_memory || why.code == ERR_MEMORY;
    }
    json_decref(entry);
    json_region_close(&region);
    if (good) {
        p->d->resources[p->d->count++] = r;
    } else {
        free(r.path);
        free(r.hash);
    }
    let_go(p, PIECE_BYTES);
    return good;
}

static bool take_list(struct piecewise *p)
{
    p->list = p->at;
    if (!pass(p, '['))
        return false;
    if (!pass(p, ']')) {
        do {
            if (!take_entry(p))
                return false;
        } while (pass(p, ','));
        if (!pass(p, ']'))
            return false;
    }
    p->list_end = p->at;
    return true;
}

/* A key and its value. */
static bool take_member(struct piecewise *p)
{
    json_t *key = take_value(p);
    bool good = json_is_string(key) && pass(p, ':');
    if (good && p->list == NULL && strcmp(json_string_value(key), "resources") == 0) {
        good = take_list(p);
    } else if (good) {
        json_t *value = take_value(p);
        good = value != NULL;
        json_decref(value);
    }
    json_decref(key);
    return good;
}

/* All but the entries, as jansson and descriptor_whole_head want it: with a list that is empty. */
static bool take_head(struct piecewise *p)
{
    size_t before = (size_t)(p->list - p->text);
    size_t behind = (size_t)(p->end - p->list_end);
    char *text = malloc(before + behind + 2);
    json_t *json = NULL;
    struct err why = {0};
    bool good = false;
    if (text != NULL) {
        memcpy(text, p->text, before);
        text[before] = '[';
        text[before + 1] = ']';
        memcpy(text + before + 2, p->list_end, behind);
        good =
            json_strict_parse(text, before + behind + 2, p->path, 0, &json, &why) == ERR_OK &&
            descriptor_whole_head(&(struct json_place){json, p->path, ""}, p->d->count, p->d, &why) == ERR_OK;
    }
    p->no_memory = p->no_memory || text == NULL || why.code == ERR_MEMORY;
    json_decref(json);
    free(text);
    return good;
}

static bool take_root(struct piecewise *p)
{
    if (!pass(p, '{'))
        return false;
    do {
        if (!take_member(p))
            return false;
    } while (pass(p, ','));
    if (!pass(p, '}') || p->at != p->end || p->list == NULL)
        return false;
    let_go(p, 0);
    return take_head(p);
}

bool descriptor_pieces_read(const char *path, struct descriptor *d, char *hash, bool *no_memory)
{
    size_t length = 0;
    const char *text = NULL;
    bool good;
    *no_memory = false;
    if (file_bytes_map(path, DESCRIPTOR_BYTES_MAX, &text, &length, NULL) != ERR_OK || text == NULL)
        return false;
    struct piecewise p = {.path = path, .text = text, .at = text, .passed = text, .d = d};
    p.end = text + length;
    if (hash != NULL)
        p.hasher = file_bytes_hasher_new();
    good = take_root(&p) && (hash == NULL || p.hasher != NULL);
    if (p.hasher != NULL)
        good = file_bytes_hasher_end(p.hasher, good ? hash : NULL) && good;
    file_bytes_unmap(text, length);
    *no_memory = p.no_memory;
    return good;
}
