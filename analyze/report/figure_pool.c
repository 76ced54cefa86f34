#include "analyze/report/figure_pool.h"

#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <unistd.h>

void figure_pool_init(struct figure_pool *pool, const char *folder, struct figures *figures, int at_once)
{
    long places = at_once > 0 ? at_once : sysconf(_SC_NPROCESSORS_ONLN);
    pool->folder = folder;
    pool->figures = figures;
    pool->places = places < 1 ? 1 : places > FIGURE_POOL_MAX ? FIGURE_POOL_MAX : (size_t)places;
    pool->running = 0;
    pool->failed = SIZE_MAX;
    pool->error = (struct err){0};
}

/* Free a place; the last one at work takes it. */
static void leave(struct figure_pool *pool, size_t place)
{
    pool->running--;
    pool->figure[place] = pool->figure[pool->running];
    pool->drawing[place] = pool->drawing[pool->running];
}

void figure_pool_fail(struct figure_pool *pool, size_t i, const struct err *error)
{
    if (i >= pool->failed)
        return;
    pool->failed = i;
    pool->error = *error;
    /* One at a time would not have come to those behind it. */
    for (size_t place = pool->running; place-- > 0;) {
        if (pool->figure[place] <= i)
            continue;
        figure_draw_drop(pool->folder, &pool->figures->figure[pool->figure[place]], &pool->drawing[place]);
        leave(pool, place);
    }
}

static void end(struct figure_pool *pool, size_t place, bool hangs)
{
    size_t i = pool->figure[place];
    struct figure_drawing drawing = pool->drawing[place];
    struct err e = {0};
    leave(pool, place);
    if (figure_draw_end(pool->folder, &pool->figures->figure[i], &drawing, hangs, &e) != ERR_OK)
        figure_pool_fail(pool, i, &e);
}

/* Listen to all at work until one of them is through. */
static void wait_for_one(struct figure_pool *pool)
{
    for (size_t before = pool->running; pool->running == before;) {
        struct pollfd heard[FIGURE_POOL_MAX];
        int patience_ms = figure_draw_patience_ms(&pool->drawing[0]), ready;
        for (size_t k = 0; k < pool->running; k++) {
            int left_ms = figure_draw_patience_ms(&pool->drawing[k]);
            patience_ms = left_ms < patience_ms ? left_ms : patience_ms;
            heard[k] = (struct pollfd){.fd = pool->drawing[k].complaints, .events = POLLIN};
        }
        ready = poll(heard, pool->running, patience_ms);
        if (ready < 0 && errno == EINTR)
            continue;
        /* From behind: a place that is left is taken by the last one. */
        for (size_t k = pool->running; k-- > 0 && pool->running == before;) {
            if (ready > 0 && heard[k].revents != 0) {
                if (!figure_draw_listen(&pool->drawing[k]))
                    end(pool, k, false);
            } else if (figure_draw_patience_ms(&pool->drawing[k]) == 0) {
                end(pool, k, true);
            }
        }
    }
}

bool figure_pool_start(struct figure_pool *pool, size_t i)
{
    struct err e = {0};
    while (pool->running == pool->places)
        wait_for_one(pool);
    if (pool->failed < i)
        return false;
    if (figure_draw_begin(pool->folder, &pool->figures->figure[i], &pool->drawing[pool->running], &e) !=
        ERR_OK) {
        figure_pool_fail(pool, i, &e);
        return false;
    }
    pool->figure[pool->running++] = i;
    return true;
}

enum err_code figure_pool_finish(struct figure_pool *pool, struct err *e)
{
    while (pool->running > 0)
        wait_for_one(pool);
    if (pool->failed == SIZE_MAX)
        return ERR_OK;
    for (size_t i = pool->failed + 1; i < pool->figures->count; i++)
        figure_undraw(pool->folder, &pool->figures->figure[i]);
    if (e != NULL)
        *e = pool->error;
    return pool->error.code;
}
