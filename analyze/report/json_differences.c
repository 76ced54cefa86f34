#include "analyze/report/json_differences.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PATH_SIZE 512

struct walk {
    void (*tell)(void *context, const struct json_difference *difference);
    void *context;
    struct json_differences_count *count;
    bool out_of_memory;
};

/* A value on one line, cut where long; objects and arrays by what they are. */
static void show(struct walk *w, const json_t *value, char *text)
{
    char *dump;
    if (value == NULL) {
        snprintf(text, JSON_DIFFERENCES_TEXT, "nothing");
        return;
    }
    if (json_is_object(value) || json_is_array(value)) {
        snprintf(text, JSON_DIFFERENCES_TEXT, json_is_object(value) ? "an object" : "a list of %zu",
                 json_array_size(value));
        return;
    }
    dump = json_dumps(value, JSON_ENCODE_ANY | JSON_COMPACT | JSON_REAL_PRECISION(12));
    w->out_of_memory |= dump == NULL;
    snprintf(text, JSON_DIFFERENCES_TEXT, "%s", dump != NULL ? dump : "");
    free(dump);
}

static void tell(struct walk *w, const char *path, const json_t *published, const json_t *recomputed)
{
    struct json_difference d = {.path = path,
                                .number = json_is_number(published) && json_is_number(recomputed)};
    w->count->different++;
    show(w, published, d.published);
    show(w, recomputed, d.recomputed);
    w->tell(w->context, &d);
}

static bool same_number(const json_t *a, const json_t *b)
{
    double x = json_number_value(a), y = json_number_value(b);
    if (json_is_integer(a) && json_is_integer(b))
        return json_integer_value(a) == json_integer_value(b);
    return fabs(x - y) <= JSON_DIFFERENCES_ABSOLUTE + JSON_DIFFERENCES_SHARE * fmax(fabs(x), fabs(y));
}

static const char *text_of(const json_t *object, const char *key)
{
    return json_string_value(json_object_get(object, key));
}

/* Which element of a list it is: by what it says of itself, else by its place from 1 on. */
static void name_element(const json_t *element, size_t i, char *name, size_t size)
{
    const json_t *run = json_object_get(element, "run"), *speed = json_object_get(element, "speed_mm_s"),
                 *series = json_object_get(element, "series");
    const char *a = text_of(element, "a"), *b = text_of(element, "b"), *feeder = text_of(element, "feeder"),
               *quantity = text_of(element, "quantity");
    size_t used = 0;
    if (json_is_integer(run) && json_is_integer(series))
        used = (size_t)snprintf(name, size, "series %lld, run %lld", (long long)json_integer_value(series),
                                (long long)json_integer_value(run));
    else if (a != NULL && b != NULL && quantity != NULL)
        used = (size_t)snprintf(name, size, "%.40s, %.60s against %.60s", quantity, a, b);
    else if (feeder != NULL)
        used = (size_t)snprintf(name, size, "%.80s", feeder);
    else if (quantity != NULL)
        used = (size_t)snprintf(name, size, "%.40s", quantity);
    if (json_is_number(speed) && !json_is_integer(run) && used < size)
        used += (size_t)snprintf(name + used, size - used, "%s%g mm/s", used > 0 ? ", " : "",
                                 json_number_value(speed));
    if (used == 0)
        snprintf(name, size, "%zu", i + 1);
}

static void compare(struct walk *w, const char *path, const json_t *a, const json_t *b);

static void compare_objects(struct walk *w, const char *path, const json_t *a, const json_t *b,
                            const char *const *skip)
{
    const char *key;
    json_t *value;
    char deeper[PATH_SIZE];
    for (int pass = 0; pass < 2; pass++) {
        json_object_foreach((json_t *)(pass == 0 ? b : a), key, value)
        {
            const json_t *other = json_object_get(pass == 0 ? a : b, key);
            const char *const *s = skip;
            while (s != NULL && *s != NULL && strcmp(*s, key) != 0)
                s++;
            if ((s != NULL && *s != NULL) || (pass == 1 && other != NULL))
                continue;
            snprintf(deeper, sizeof deeper, "%.380s%s%.120s", path, path[0] != 0 ? "." : "", key);
            compare(w, deeper, pass == 0 ? other : value, pass == 0 ? value : NULL);
        }
    }
}

#define NAME_SIZE 200

/* Where the element of that name is: at the same place as a rule, else anywhere that is not taken. Returns
 * the size where it is not. */
static size_t find_element(const json_t *array, const char *name, size_t place, const bool *taken)
{
    size_t n = json_array_size(array);
    char other[NAME_SIZE];
    for (size_t k = 0; k < n; k++) {
        size_t j = (place + k) % n;
        name_element(json_array_get(array, j), j, other, sizeof other);
        if (!taken[j] && strcmp(other, name) == 0)
            return j;
    }
    return n;
}

/* Elements are found by their names, so that one that is missing leaves the others in their places. */
static void compare_arrays(struct walk *w, const char *path, const json_t *a, const json_t *b)
{
    size_t n = json_array_size(a);
    bool *taken = calloc(n + 1, sizeof *taken);
    char deeper[PATH_SIZE], name[NAME_SIZE];
    w->out_of_memory |= taken == NULL;
    for (size_t i = 0; taken != NULL && i < json_array_size(b); i++) {
        size_t j;
        name_element(json_array_get(b, i), i, name, sizeof name);
        j = find_element(a, name, i, taken);
        if (j < n)
            taken[j] = true;
        snprintf(deeper, sizeof deeper, "%.300s[%s]", path, name);
        compare(w, deeper, j < n ? json_array_get(a, j) : NULL, json_array_get(b, i));
    }
    for (size_t j = 0; taken != NULL && j < n; j++) {
        if (taken[j])
            continue;
        name_element(json_array_get(a, j), j, name, sizeof name);
        snprintf(deeper, sizeof deeper, "%.300s[%s]", path, name);
        compare(w, deeper, json_array_get(a, j), NULL);
    }
    free(taken);
}

static void compare(struct walk *w, const char *path, const json_t *a, const json_t *b)
{
    if (json_is_object(a) && json_is_object(b)) {
        compare_objects(w, path, a, b, NULL);
        return;
    }
    if (json_is_array(a) && json_is_array(b)) {
        compare_arrays(w, path, a, b);
        return;
    }
    w->count->values++;
    w->count->numbers += json_is_number(b) || json_is_number(a);
    if (json_is_number(a) && json_is_number(b) ? !same_number(a, b) : !json_equal((json_t *)a, (json_t *)b))
        tell(w, path, a, b);
}

bool json_differences(const json_t *published, const json_t *recomputed, const char *const *skip,
                      void (*tell_one)(void *context, const struct json_difference *difference),
                      void *context, struct json_differences_count *count)
{
    struct walk w = {tell_one, context, count, false};
    memset(count, 0, sizeof *count);
    compare_objects(&w, "", published, recomputed, skip);
    return !w.out_of_memory;
}
