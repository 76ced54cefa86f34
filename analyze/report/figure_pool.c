#include "analyze/report/figure_pool.h"

#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
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
    memset(pool->drawer, 0, sizeof pool->drawer);
}

/* Free a place: it changes with the last one at work. */
static void leave(struct figure_pool *pool, size_t place)
{
    struct figure_drawer drawer = pool->drawer[place];
    pool->running--;
    pool->figure[place] = pool->figure[pool->running];
    pool->drawer[place] = pool->drawer[pool->running];
    pool->drawer[pool->running] = drawer;
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
        figure_draw_drop(pool->folder, &pool->figures->figure[pool->figure[place]], &pool->drawer[place]);
        leave(pool, place);
    }
}

static void end(struct figure_pool *pool, size_t place, enum figure_draw_state state)
{
    size_t i = pool->figure[place];
    struct err e = {0};
    enum err_code code =
        figure_draw_end(pool->folder, &pool->figures->figure[i], &pool->drawer[place], state, &e);
    leave(pool, place);
    if (code != ERR_OK)
        figure_pool_fail(pool, i, &e);
}

/* Listen to all at work until one of them is through. */
static void wait_for_one(struct figure_pool *pool)
{
    for (size_t before = pool->running; pool->running == before;) {
        struct pollfd heard[FIGURE_POOL_MAX];
        int patience_ms = figure_draw_patience_ms(&pool->drawer[0]), ready;
        for (size_t k = 0; k < pool->running; k++) {
            int left_ms = figure_draw_patience_ms(&pool->drawer[k]);
            patience_ms = left_ms < patience_ms ? left_ms : patience_ms;
            heard[k] = (struct pollfd){.fd = pool->drawer[k].complaints, .events = POLLIN};
        }
        ready = poll(heard, pool->running, patience_ms);
        if (ready < 0 && errno == EINTR)
            continue;
        /* From behind: a place that is left is taken by the last one. */
        for (size_t k = pool->running; k-- > 0 && pool->running == before;) {
            enum figure_draw_state state = FIGURE_DRAW_GOES_ON;
            if (ready > 0 && heard[k].revents != 0)
                state = figure_draw_listen(&pool->drawer[k]);
            else if (figure_draw_patience_ms(&pool->drawer[k]) == 0)
                state = FIGURE_DRAW_HANGS;
            if (state != FIGURE_DRAW_GOES_ON)
                end(pool, k, state);
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
    if (figure_draw_begin(pool->folder, &pool->figures->figure[i], &pool->drawer[pool->running], &e) !=
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
    for (size_t place = 0; place < pool->places; place++)
        figure_drawer_end(&pool->drawer[place]);
    if (pool->failed == SIZE_MAX)
        return ERR_OK;
    for (size_t i = pool->failed + 1; i < pool->figures->count; i++)
        figure_undraw(pool->folder, &pool->figures->figure[i]);
    if (e != NULL)
        *e = pool->error;
    return pool->error.code;
}
