#include "datasets/format/descriptor.h"

#include "datasets/format/file_bytes.h"
#include "datasets/format/json_strict.h"

#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

/* 5,000 resources at some 2 kB each, three times over. */
#define FILE_BYTES_MAX (32 * 1024 * 1024)
/* So much of it is passed before it is let go. */
#define PIECE_BYTES ((size_t)256 * 1024)

static enum err_code read_resource(const json_t *json, size_t i, const char *path,
                                   struct descriptor_resource *r, struct err *e)
{
    const json_t *location = json_object_get(json, "path");
    const json_t *bytes = json_object_get(json, "bytes");
    const json_t *hash = json_object_get(json, "hash");
    if (!json_is_string(location))
        return err_set_at(e, ERR_FILE, path, 0, 0, "resource %zu has no single path", i + 1);
    if (bytes != NULL && (!json_is_integer(bytes) || json_integer_value(bytes) < 0))
        return err_set_at(e, ERR_FILE, path, 0, 0, "resource %zu: bytes must be a whole number", i + 1);
    if (hash != NULL && !json_is_string(hash))
        return err_set_at(e, ERR_FILE, path, 0, 0, "resource %zu: hash must be a text", i + 1);
    r->path = strdup(json_string_value(location));
    r->bytes = bytes == NULL ? -1 : json_integer_value(bytes);
    r->hash = strdup(hash == NULL ? "" : json_string_value(hash));
    if (r->path == NULL || r->hash == NULL)
        return err_set_at(e, ERR_MEMORY, path, 0, 0, "no memory to read it");
    return ERR_OK;
}

/* What the descriptor says beside its resources; count: how many of those there are. */
static enum err_code read_head(const struct json_place *root, size_t count, struct descriptor *d,
                               struct err *e)
{
    const json_t *resources;
    int64_t version = 0;
    enum err_code code = ERR_OK;
    if (json_object_get(root->object, "nipbench_series") == NULL)
        return err_set_at(e, ERR_FILE, root->file, 0, 0,
                          "is not the descriptor of a series: the key nipbench_series is missing");
    code = json_strict_whole(root, "nipbench_series", 0, INT64_MAX, &version, e);
    if (code == ERR_OK && version != DESCRIPTOR_VERSION)
        code = err_set_at(
            e, ERR_FILE, root->file, 0, 0,
            "nipbench_series: version %lld of the format is not known; this program reads version %d",
            (long long)version, DESCRIPTOR_VERSION);
    if (code == ERR_OK)
        code = json_strict_bool(root, "simulated", &d->simulated, e);
    if (code == ERR_OK)
        code = json_strict_child(root, "resources", JSON_ARRAY, &resources, e);
    if (code == ERR_OK && count > DESCRIPTOR_RESOURCES_MAX)
        code = err_set_at(e, ERR_FILE, root->file, 0, 0, "%zu resources are too many; at most %d are allowed",
                          count, DESCRIPTOR_RESOURCES_MAX);
    return code;
}

static enum err_code read_root(const struct json_place *root, struct descriptor *d, struct err *e)
{
    const json_t *resources = json_object_get(root->object, "resources");
    size_t count = json_array_size(resources);
    enum err_code code = read_head(root, count, d, e);
    if (code == ERR_OK && (d->resources = calloc(count + 1, sizeof *d->resources)) == NULL)
        code = err_set_at(e, ERR_MEMORY, root->file, 0, 0, "no memory to read it");
    for (size_t i = 0; code == ERR_OK && i < count; i++) {
        d->count = i + 1;
        code = read_resource(json_array_get(resources, i), i, root->file, &d->resources[i], e);
    }
    return code;
}

/* The text of a descriptor in a mapped file. The entries of "resources" are nearly all of it, and as one tree
 * of JSON values they would take many times the memory of what is kept of them, so they are read one by one,
 * and what was passed is let go. What jansson does not take, or what is not as it should be, is left to the
 * reading of the whole, which says why. */
struct piecewise {
    const char *path, *text, *at, *end, *passed; /* passed: up to there it is hashed and let go */
    const char *list, *list_end;                 /* the opening bracket, and behind the closing one */
    struct file_bytes_hasher *hasher;            /* NULL: no hash is asked for */
    struct descriptor *d;
    size_t room; /* in d->resources */
    bool no_memory;
};

static void let_go(struct piecewise *p, size_t least)
{
    size_t page = (size_t)sysconf(_SC_PAGESIZE);
    size_t from = (size_t)(p->passed - p->text) / page * page;
    size_t to = (size_t)(p->at - p->text) / page * page;
    if ((size_t)(p->at - p->passed) < least)
        return;
    if (p->hasher != NULL)
        file_bytes_hasher_add(p->hasher, p->passed, (size_t)(p->at - p->passed));
    if (to > from)
        madvise((char *)p->text + from, to - from, MADV_DONTNEED);
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

static bool take_entry(struct piecewise *p)
{
    struct err why = {0};
    struct descriptor_resource r = {0};
    json_t *entry = p->d->count == DESCRIPTOR_RESOURCES_MAX ? NULL : take_value(p);
    bool good = entry != NULL && grow(p);
    if (good) {
        good = read_resource(entry, p->d->count, p->path, &r, &why) == ERR_OK;
        p->no_memory = p->no_memory || why.code == ERR_MEMORY;
    }
    json_decref(entry);
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

/* All but the entries, as jansson and read_head want it: with a list that is empty. */
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
        good = json_strict_parse(text, before + behind + 2, p->path, 0, &json, &why) == ERR_OK &&
               read_head(&(struct json_place){json, p->path, ""}, p->d->count, p->d, &why) == ERR_OK;
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

/* The file mapped, NULL where it is for the reading of the whole to say what is wrong. */
static char *map_file(const char *path, size_t *length)
{
    struct stat status;
    void *text = MAP_FAILED;
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    if (fd < 0)
        return NULL;
    if (fstat(fd, &status) == 0 && S_ISREG(status.st_mode) && status.st_size > 0 &&
        status.st_size <= FILE_BYTES_MAX) {
        *length = (size_t)status.st_size;
        text = mmap(NULL, *length, PROT_READ, MAP_PRIVATE, fd, 0);
    }
    close(fd);
    return text == MAP_FAILED ? NULL : text;
}

/* Whether it could be read piece by piece; *no_memory tells why not. */
static bool read_piecewise(const char *path, struct descriptor *d, char *hash, bool *no_memory)
{
    size_t length = 0;
    char *text = map_file(path, &length);
    struct piecewise p = {.path = path, .text = text, .at = text, .passed = text, .d = d};
    bool good;
    *no_memory = false;
    if (text == NULL)
        return false;
    p.end = text + length;
    if (hash != NULL)
        p.hasher = file_bytes_hasher_new();
    good = take_root(&p) && (hash == NULL || p.hasher != NULL);
    if (p.hasher != NULL)
        good = file_bytes_hasher_end(p.hasher, good ? hash : NULL) && good;
    munmap(text, length);
    *no_memory = p.no_memory;
    return good;
}

static enum err_code read_whole(const char *path, struct descriptor *d, char *hash, struct err *e)
{
    json_t *json;
    int64_t bytes;
    enum err_code code = json_strict_read_hashed(path, FILE_BYTES_MAX, &json, hash, &bytes, e);
    if (code == ERR_OK)
        code = read_root(&(struct json_place){json, path, ""}, d, e);
    json_decref(json);
    return code;
}

/* In the order of their paths, and those of one path in that of the file. */
static int compare_paths(const void *a, const void *b)
{
    const struct descriptor_resource *x = *(const struct descriptor_resource *const *)a;
    const struct descriptor_resource *y = *(const struct descriptor_resource *const *)b;
    int order = strcmp(x->path, y->path);
    return order != 0 ? order : (x > y) - (x < y);
}

enum err_code descriptor_read_hashed(const char *path, struct descriptor *d, char *hash, struct err *e)
{
    bool no_memory;
    enum err_code code = ERR_OK;
    memset(d, 0, sizeof *d);
    if (!read_piecewise(path, d, hash, &no_memory)) {
        descriptor_free(d);
        code = no_memory ? err_set_at(e, ERR_MEMORY, path, 0, 0, "no memory to read it")
                         : read_whole(path, d, hash, e);
    }
    if (code == ERR_OK && (d->by_path = malloc((d->count + 1) * sizeof *d->by_path)) == NULL)
        code = err_set_at(e, ERR_MEMORY, path, 0, 0, "no memory to read it");
    if (code != ERR_OK) {
        descriptor_free(d);
        return code;
    }
    for (size_t i = 0; i < d->count; i++)
        d->by_path[i] = &d->resources[i];
    qsort(d->by_path, d->count, sizeof *d->by_path, compare_paths);
    return ERR_OK;
}

enum err_code descriptor_read(const char *path, struct descriptor *d, struct err *e)
{
    return descriptor_read_hashed(path, d, NULL, e);
}

void descriptor_free(struct descriptor *d)
{
    for (size_t i = 0; i < d->count; i++) {
        free(d->resources[i].path);
        free(d->resources[i].hash);
    }
    free(d->resources);
    free(d->by_path);
    memset(d, 0, sizeof *d);
}

const struct descriptor_resource *descriptor_find(const struct descriptor *d, const char *path)
{
    size_t low = 0;
    size_t high = d->count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (strcmp(d->by_path[middle]->path, path) < 0)
            low = middle + 1;
        else
            high = middle;
    }
    return low < d->count && strcmp(d->by_path[low]->path, path) == 0 ? d->by_path[low] : NULL;
}
