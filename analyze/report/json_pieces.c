#include "analyze/report/json_pieces.h"

#include "analyze/report/json_stream.h"
#include "datasets/format/json_region.h"

#include <assert.h>
#include <pthread.h>
#include <stdlib.h>

#define ITEMS_MOST 1 /* of a list in one piece: a run is 10 kB of text */
/* Taken and not written yet: so far a fast thread may run ahead of a slow one. As many as there are threads,
 * from two to this. */
#define PIECES_HELD 4

/* A member of the object. */
struct section {
    const char *key;
    json_t *value;
    json_pieces_item *item; /* NULL: a value */
    size_t count;           /* of items */
};

/* Items of a section from first on, last not included; or its value. */
struct piece {
    const struct section *section;
    size_t first, last;
    bool begins; /* the object: no comma in front */
};

struct text {
    char *bytes;
    size_t length;
    bool made;
};

struct json_pieces {
    const void *context;
    struct json_stream whole;
    struct section sections[JSON_PIECES_MEMBERS];
    size_t section_count;
    pthread_mutex_t lock; /* of all below, and of the file */
    pthread_cond_t moved; /* written has */
    size_t section, item; /* to be taken next */
    size_t taken, written, threads;
    struct text texts[PIECES_HELD]; /* of piece i in texts[i % PIECES_HELD] */
    bool failed;
};

struct json_pieces *json_pieces_begin(const void *context, FILE *out)
{
    struct json_pieces *p = calloc(1, sizeof *p);
    if (p == NULL)
        return NULL;
    p->context = context;
    json_stream_begin(&p->whole, out);
    pthread_mutex_init(&p->lock, NULL);
    pthread_cond_init(&p->moved, NULL);
    return p;
}

static void add(struct json_pieces *p, struct section section)
{
    assert(p->section_count < JSON_PIECES_MEMBERS);
    p->sections[p->section_count++] = section;
}

void json_pieces_member(struct json_pieces *p, const char *key, json_t *value)
{
    add(p, (struct section){.key = key, .value = value});
}

void json_pieces_list(struct json_pieces *p, const char *key, json_pieces_item *item, size_t count)
{
    add(p, (struct section){.key = key, .item = item, .count = count});
}

/* The next piece; false when none is left. */
static bool take(struct json_pieces *p, struct piece *piece)
{
    const struct section *section = &p->sections[p->section];
    if (p->section == p->section_count)
        return false;
    *piece = (struct piece){section, p->item, section->count, p->taken == 0};
    if (section->count - p->item > ITEMS_MOST) {
        p->item += ITEMS_MOST;
        piece->last = p->item;
    } else {
        p->section++;
        p->item = 0;
    }
    p->taken++;
    return true;
}

static void put_item(struct json_stream *s, json_pieces_item *item, struct json_build *b, const void *context,
                     size_t i)
{
    struct json_region region;
    json_region_open(&region);
    json_stream_item(s, item(b, context, i));
    json_region_close(&region);
}

static void make(const struct json_pieces *p, const struct piece *piece, struct json_build *b,
                 struct json_stream *s, struct text *text)
{
    const struct section *section = piece->section;
    FILE *out = open_memstream(&text->bytes, &text->length);
    if (out == NULL) {
        s->failed = true;
        return;
    }
    json_stream_go_on(s, out, !piece->begins, piece->first > 0);
    if (section->item == NULL) {
        json_stream_member(s, section->key, json_incref(section->value));
    } else {
        if (piece->first == 0)
            json_stream_list_begin(s, section->key);
        for (size_t i = piece->first; i < piece->last; i++)
            put_item(s, section->item, b, p->context, i);
        if (piece->last == section->count)
            json_stream_list_end(s);
    }
    if (fclose(out) != 0)
        s->failed = true;
}

/* All pieces that are next and made. */
static void write_made(struct json_pieces *p)
{
    struct text *text = &p->texts[p->written % PIECES_HELD];
    while (text->made) {
        fwrite(text->bytes, 1, text->length, p->whole.out);
        free(text->bytes);
        *text = (struct text){.made = false};
        text = &p->texts[++p->written % PIECES_HELD];
    }
    pthread_cond_broadcast(&p->moved);
}

/* As many as may be held. */
static bool is_full(const struct json_pieces *p)
{
    size_t most = p->threads < 2 ? 2 : p->threads < PIECES_HELD ? p->threads : PIECES_HELD;
    return p->taken - p->written >= most;
}

void json_pieces_work(struct json_pieces *p)
{
    struct json_build b = {false};
    struct json_stream s = {.out = NULL};
    struct piece piece;
    pthread_mutex_lock(&p->lock);
    p->threads++;
    for (;;) {
        struct text text = {.made = true};
        size_t number;
        while (is_full(p))
            pthread_cond_wait(&p->moved, &p->lock);
        number = p->taken;
        if (!take(p, &piece))
            break;
        pthread_mutex_unlock(&p->lock);
        make(p, &piece, &b, &s, &text);
        pthread_mutex_lock(&p->lock);
        p->texts[number % PIECES_HELD] = text;
        write_made(p);
    }
    p->threads--;
    p->failed |= b.failed || s.failed;
    pthread_mutex_unlock(&p->lock);
    json_stream_free(&s);
}

bool json_pieces_end(struct json_pieces *p)
{
    bool done;
    json_pieces_work(p);
    done = !p->failed;
    p->whole.any_member = p->taken > 0;
    json_stream_end(&p->whole);
    for (size_t i = 0; i < p->section_count; i++)
        json_decref(p->sections[i].value);
    pthread_cond_destroy(&p->moved);
    pthread_mutex_destroy(&p->lock);
    free(p);
    return done;
}
