#include "analyze/report/progress_status.h"

#include "analyze/report/text_width.h"

#include <math.h>
#include <stdbool.h>
#include <string.h>

#define PACE_LEAST_US    500000
#define PACE_LEAST_SHARE 50 /* one part of so many has to be done */
#define HOURS_MAX        100

double progress_status_left_s(uint64_t done, uint64_t total, int64_t elapsed_us)
{
    if (done == 0 || done > total || elapsed_us < PACE_LEAST_US || done < total / PACE_LEAST_SHARE)
        return -1;
    return (double)elapsed_us / 1e6 * ((double)(total - done) / (double)done);
}

char *progress_status_left_text(double left_s, char *buffer, size_t size)
{
    double minutes = round(left_s / 60), half_hours = round(left_s / 1800);
    if (!(left_s >= 0))
        snprintf(buffer, size, "%s", "");
    else if (left_s < 7.5)
        snprintf(buffer, size, "a few seconds left");
    else if (left_s < 57.5)
        snprintf(buffer, size, "about %.0f s left", 5 * round(left_s / 5));
    else if (minutes < 60)
        snprintf(buffer, size, "about %.0f min left", minutes);
    else if (half_hours >= 2 * HOURS_MAX)
        snprintf(buffer, size, "more than %d h left", HOURS_MAX);
    else
        snprintf(buffer, size, "about %.0f h%s left", floor(half_hours / 2),
                 fmod(half_hours, 2) != 0 ? " 30 min" : "");
    return buffer;
}

void progress_status_begin(struct progress_status *s, const struct progress *progress, FILE *to, int width,
                           int64_t now_us)
{
    *s = (struct progress_status){
        .progress = progress, .to = to, .width = width, .begun_us = now_us, .step_us = now_us};
}

/* The line for now; false where there is nothing to say yet. */
static bool make_line(struct progress_status *s, int64_t now_us, char *line, size_t size)
{
    const struct progress *p = s->progress;
    uint64_t step = atomic_load(&p->step), items = atomic_load(&p->items),
             count = atomic_load(&p->item_count), done = atomic_load(&p->done),
             total = atomic_load(&p->total);
    const char *doing = atomic_load(&p->doing);
    char left[48], counted[64] = "";
    if (doing == NULL || step % 2 != 0 || atomic_load(&p->step) != step)
        return false;
    if (step != s->step) {
        s->step = step;
        s->step_us = now_us;
    }
    if (count > 0)
        snprintf(counted, sizeof counted, ": %llu of %llu", (unsigned long long)items,
                 (unsigned long long)count);
    progress_status_left_text(progress_status_left_s(done, total, now_us - s->step_us), left, sizeof left);
    snprintf(line, size, "%s%s%s%s", doing, counted, left[0] != 0 ? ", " : "", left);
    /* A line that fills the last column moves the cursor to the next one on some terminals. */
    if (text_width(line) >= s->width && left[0] != 0)
        snprintf(line, size, "%s", left);
    line[text_width_fit(line, strlen(line), s->width - 1)] = 0;
    return true;
}

void progress_status_tick(struct progress_status *s, int64_t now_us)
{
    char line[PROGRESS_STATUS_SIZE];
    int width, blanks;
    if (!make_line(s, now_us, line, sizeof line) || now_us - s->begun_us < PROGRESS_STATUS_SILENT_US ||
        (s->written_us > 0 && now_us - s->written_us < PROGRESS_STATUS_EVERY_US) ||
        (s->shown > 0 && strcmp(line, s->line) == 0))
        return;
    width = text_width(line);
    blanks = s->shown > width ? s->shown - width : 0;
    fprintf(s->to, "\r%s%*s", line, blanks, "");
    if (blanks > 0)
        fprintf(s->to, "\r%s", line);
    fflush(s->to);
    memcpy(s->line, line, sizeof line);
    s->shown = width;
    s->written_us = now_us;
}

void progress_status_erase(struct progress_status *s)
{
    if (s->shown == 0)
        return;
    fprintf(s->to, "\r%*s\r", s->shown, "");
    fflush(s->to);
    s->shown = 0;
}
