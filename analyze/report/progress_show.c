#include "analyze/report/progress_show.h"

#include "analyze/report/progress_status.h"

#include <pthread.h>
#include <stdbool.h>
#include <stdlib.h>
#include <time.h>

struct progress_show {
    struct progress progress;
    struct progress_status status;
    pthread_t thread;
    pthread_mutex_t lock; /* of over and status */
    pthread_cond_t wake;
    bool over, joined;
};

static int64_t now_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

static struct timespec at_us(int64_t time_us)
{
    return (struct timespec){.tv_sec = (time_t)(time_us / 1000000),
                             .tv_nsec = (long)(time_us % 1000000) * 1000};
}

static void *look(void *argument)
{
    struct progress_show *show = argument;
    pthread_mutex_lock(&show->lock);
    while (!show->over) {
        struct timespec until = at_us(now_us() + PROGRESS_STATUS_EVERY_US);
        pthread_cond_timedwait(&show->wake, &show->lock, &until);
        if (!show->over)
            progress_status_tick(&show->status, now_us());
    }
    progress_status_erase(&show->status);
    pthread_mutex_unlock(&show->lock);
    return NULL;
}

struct progress_show *progress_show_new(FILE *to, int width)
{
    struct progress_show *show = calloc(1, sizeof *show);
    pthread_condattr_t monotonic;
    if (show == NULL)
        return NULL;
    progress_status_begin(&show->status, &show->progress, to, width, now_us());
    pthread_mutex_init(&show->lock, NULL);
    pthread_condattr_init(&monotonic);
    pthread_condattr_setclock(&monotonic, CLOCK_MONOTONIC);
    pthread_cond_init(&show->wake, &monotonic);
    pthread_condattr_destroy(&monotonic);
    if (pthread_create(&show->thread, NULL, look, show) != 0) {
        show->joined = true;
        progress_show_free(show);
        return NULL;
    }
    return show;
}

struct progress *progress_show_counters(struct progress_show *show)
{
    return show == NULL ? NULL : &show->progress;
}

void progress_show_erase(struct progress_show *show)
{
    if (show == NULL || show->joined)
        return;
    pthread_mutex_lock(&show->lock);
    progress_status_erase(&show->status);
    pthread_mutex_unlock(&show->lock);
}

void progress_show_end(struct progress_show *show)
{
    if (show == NULL || show->joined)
        return;
    pthread_mutex_lock(&show->lock);
    show->over = true;
    pthread_cond_signal(&show->wake);
    pthread_mutex_unlock(&show->lock);
    pthread_join(show->thread, NULL);
    show->joined = true;
}

void progress_show_free(struct progress_show *show)
{
    if (show == NULL)
        return;
    progress_show_end(show);
    pthread_cond_destroy(&show->wake);
    pthread_mutex_destroy(&show->lock);
    free(show);
}
