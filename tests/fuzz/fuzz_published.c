/* A published results.json, and how it differs from another. */
#include "analyze/report/json_differences.h"
#include "analyze/report/published.h"
#include "analyze/report/report_json.h"
#include "datasets/format/json_strict.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct read {
    json_t *root;
    struct session_options options;
    struct session_motor motors[SESSION_MOTORS_MAX];
};

static enum err_code read_input(const char *path, void *result, struct err *e)
{
    struct read *r = result;
    memset(r, 0, sizeof *r);
    return published_read(path, &r->root, &r->options, r->motors, e);
}

static void release(void *result)
{
    json_decref(((struct read *)result)->root);
}

/* Options written as a report has them read the same. */
static void check_options(const struct session_options *o)
{
    static struct session_options again;
    static struct session_motor motors[SESSION_MOTORS_MAX];
    json_t *root = json_object(), *accept = json_array(), *matters = json_object(), *read;
    json_t *named = json_array();
    const char *path = fuzz_scratch("results.json");
    struct err e = {0};
    for (size_t i = 0; i < CONDITION_COUNT; i++) {
        if (o->accept[i])
            json_array_append_new(accept, json_string(CONDITION_KINDS[i].key));
    }
    for (size_t i = 0; i < o->matter_count; i++)
        json_object_set_new(matters, o->matters[i].quantity, json_real(o->matters[i].difference));
    json_object_set_new(root, "schema", json_string(REPORT_JSON_SCHEMA));
    json_object_set_new(root, "margin", json_real(o->margin));
    json_object_set_new(root, "accept", accept);
    json_object_set_new(root, "matters", matters);
    for (size_t i = 0; i < o->motor_count; i++) {
        const struct session_motor *m = &o->motors[i];
        json_t *feeder = m->feeder[0] != 0 ? json_string(m->feeder) : json_null();
        json_array_append_new(
            named, json_pack("{s:s, s:s, s:o}", "file", m->file, "text", m->text, "feeder", feeder));
    }
    if (o->motor_count > 0)
        json_object_set(root, "motors", named);
    json_decref(named);
    assert(json_strict_write(path, root, &e) == ERR_OK);
    memset(&again, 0, sizeof again);
    assert(published_read(path, &read, &again, motors, &e) == ERR_OK);
    assert(again.margin == o->margin && again.matter_count == o->matter_count);
    assert(memcmp(again.accept, o->accept, sizeof o->accept) == 0);
    assert(again.motor_count == o->motor_count);
    for (size_t i = 0; i < o->motor_count; i++)
        assert(strcmp(again.motors[i].file, o->motors[i].file) == 0 &&
               strcmp(again.motors[i].text, o->motors[i].text) == 0 &&
               strcmp(again.motors[i].feeder, o->motors[i].feeder) == 0);
    /* The file is written with its keys sorted. */
    for (size_t i = 0; i < o->matter_count; i++) {
        size_t j = 0;
        while (j < again.matter_count && strcmp(again.matters[j].quantity, o->matters[i].quantity) != 0)
            j++;
        assert(j < again.matter_count && again.matters[j].difference == o->matters[i].difference);
    }
    json_decref(read);
    json_decref(root);
    unlink(path);
}

static size_t told;
static bool starving;

static void tell(void *context, const struct json_difference *d)
{
    (void)context;
    assert(d->path != NULL && memchr(d->published, 0, sizeof d->published) != NULL);
    assert(memchr(d->recomputed, 0, sizeof d->recomputed) != NULL);
    /* Without memory for a value its place stays empty, and the whole is said to have failed. */
    assert(starving || (d->published[0] != 0 && d->recomputed[0] != 0));
    told++;
}

static size_t leaves_of(const json_t *value)
{
    const char *key;
    json_t *inside;
    size_t i, n = 0;
    if (!json_is_object(value) && !json_is_array(value))
        return 1;
    json_object_foreach((json_t *)value, key, inside) n += leaves_of(inside);
    json_array_foreach(value, i, inside) n += leaves_of(inside);
    return n;
}

/* A document does not differ from itself, in any of its values; a value that is changed, and one that is
 * gone, is one difference, whichever of the two is asked of the other; in want of memory nothing is said to
 * agree. */
static void check_differences(json_t *root, uint64_t chance)
{
    static const char *const NONE[] = {NULL};
    struct json_differences_count count, back;
    json_t *other = json_deep_copy(root);
    size_t n = leaves_of(root), allocated;
    bool whole;
    assert(other != NULL);
    told = 0;
    assert(json_differences(root, other, NONE, tell, NULL, &count));
    assert(count.different == 0 && told == 0 && count.values == n && count.numbers <= n);
    json_object_set_new(other, "margin", json_string("another"));
    json_object_del(other, "schema");
    fuzz_allocations_begin(0);
    assert(json_differences(root, other, NONE, tell, NULL, &count));
    allocated = fuzz_allocations_end();
    assert(json_differences(other, root, NONE, tell, NULL, &back));
    assert(count.different == 2 && back.different == 2 && told == 4 && count.values == n && back.values == n);
    starving = true;
    fuzz_allocations_begin(1 + (size_t)(chance % allocated));
    whole = json_differences(root, other, NONE, tell, NULL, &count);
    fuzz_allocations_end();
    starving = false;
    assert(!whole);
    json_decref(other);
}

/* The first half of the document's values against the second: whatever the two are, each difference is told.
 */
static void check_strangers(json_t *root)
{
    static const char *const SKIPPED[] = {"program", NULL};
    struct json_differences_count count;
    json_t *series = json_object_get(root, "series"), *runs = json_object_get(root, "runs"), *a, *b;
    if (series == NULL || runs == NULL)
        return;
    a = json_pack("{s:O, s:s}", "list", series, "program", "this");
    b = json_pack("{s:O, s:s}", "list", runs, "program", "that");
    assert(a != NULL && b != NULL);
    told = 0;
    assert(json_differences(a, b, SKIPPED, tell, NULL, &count));
    assert(told == count.different && count.different <= count.values);
    assert(count.different > 0 || json_equal(series, runs) || leaves_of(series) + leaves_of(runs) > 0 ||
           json_typeof(series) == json_typeof(runs));
    json_decref(a);
    json_decref(b);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    static struct read r;
    static const struct fuzz_reader reader = {.size = sizeof r, .read = read_input, .release = release};
    const json_t *word;
    size_t i;
    if (fuzz_read(&reader, bytes, length, &r) != ERR_OK) {
        assert(r.root == NULL);
        return 0;
    }
    json_array_foreach(json_object_get(r.root, "accept"), i, word)
        assert(r.options.accept[conditions_find(json_string_value(word))]);
    assert(r.options.matter_count == json_object_size(json_object_get(r.root, "matters")));
    assert(r.options.margin >= 0 && r.options.margin <= 5 && r.options.matter_count <= PLAN_MATTERS_MAX);
    for (i = 0; i < r.options.matter_count; i++)
        assert(r.options.matters[i].difference >= 1e-12 && r.options.matters[i].difference <= 1e12);
    check_options(&r.options);
    check_differences(r.root, fuzz_hash(bytes, length));
    check_strangers(r.root);
    json_decref(r.root);
    return 0;
}
