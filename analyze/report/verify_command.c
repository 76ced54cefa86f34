#include "analyze/report/verify_command.h"

#include "analyze/report/verify_show.h"
#include "datasets/format/series.h"
#include "datasets/format/series_path.h"

#include <stdlib.h>
#include <string.h>

struct gathering {
    struct verify_series *series;
    bool failed; /* without memory for a finding */
};

static void free_finding(struct verify_finding *f)
{
    free(f->file);
    free(f->text);
    free(f->source);
}

static void gather(void *context, const struct err *e)
{
    struct gathering *g = context;
    struct verify_series *s = g->series;
    struct verify_finding f = {.code = e->code, .line = e->line, .column = e->column};
    if (s->count == s->room) {
        size_t room = 2 * s->room + 8;
        struct verify_finding *more = realloc(s->findings, room * sizeof *more);
        if (more == NULL) {
            g->failed = true;
            return;
        }
        s->findings = more;
        s->room = room;
    }
    f.file = strdup(e->file);
    f.text = strdup(e->text);
    f.source = strdup(e->source);
    if (f.file == NULL || f.text == NULL || f.source == NULL) {
        free_finding(&f);
        g->failed = true;
        return;
    }
    s->findings[s->count++] = f;
}

/* Number of the run that a path of a finding belongs to; 0: none. */
static int run_of(const char *path)
{
    const char *name = NULL, *ending;
    for (const char *p = path; (p = strstr(p, "runs/")) != NULL; p++)
        name = p;
    return name == NULL ? 0 : series_path_run_file(name, &ending);
}

static int by_number(const void *a, const void *b)
{
    int x = *(const int *)a, y = *(const int *)b;
    return (x > y) - (x < y);
}

static int by_text(const void *a, const void *b)
{
    return strcmp(*(const char *const *)a, *(const char *const *)b);
}

/* How many runs and other files the findings are of. */
static bool count_wrong(struct verify_series *s)
{
    int *numbers = malloc((s->count + 1) * sizeof *numbers);
    const char **files = malloc((s->count + 1) * sizeof *files);
    size_t n = 0, m = 0;
    if (numbers == NULL || files == NULL) {
        free(numbers);
        free(files);
        return false;
    }
    for (size_t i = 0; i < s->count; i++) {
        int number = run_of(s->findings[i].file);
        if (number > 0)
            numbers[n++] = number;
        else
            files[m++] = s->findings[i].file;
    }
    qsort(numbers, n, sizeof *numbers, by_number);
    qsort(files, m, sizeof *files, by_text);
    for (size_t i = 0; i < n; i++)
        s->wrong_runs += i == 0 || numbers[i] != numbers[i - 1];
    for (size_t i = 0; i < m; i++)
        s->wrong_files += i == 0 || strcmp(files[i], files[i - 1]) != 0;
    free(numbers);
    free(files);
    return true;
}

static void came(void *context, size_t files, int64_t bytes)
{
    progress_add(context, files, (uint64_t)bytes);
}

static bool check(struct verify_series *s, struct progress *progress)
{
    struct gathering g = {.series = s};
    struct series_verify_watch watch = {.came = came, .context = progress};
    struct err e = {0}, none;
    s->code = series_verify_watched(s->folder, gather, &g, &watch, &e);
    /* No package, no hash: that is a finding already. */
    if (series_package_hash(s->folder, s->hash, &none) != ERR_OK)
        s->hash[0] = 0;
    if (s->code == ERR_OK && s->hash[0] == 0) {
        s->code = none.code;
        e = none;
    }
    if (s->code != ERR_OK && s->count == 0)
        gather(&g, &e);
    s->files = watch.files;
    s->runs = watch.runs;
    s->bytes = watch.bytes;
    return count_wrong(s) && !g.failed;
}

static void tell_all(const struct verify_request *r, const struct verify_answer *a)
{
    for (size_t i = 0; i < a->count; i++) {
        for (size_t k = 0; k < a->series[i].count; k++) {
            const struct verify_finding *f = &a->series[i].findings[k];
            struct err e;
            err_set_at(&e, f->code, f->file, f->line, f->column, "%s", f->text);
            snprintf(e.source, sizeof e.source, "%s", f->source);
            r->tell(r->context, &e);
        }
    }
}

static void begin(const struct verify_request *r, struct progress *progress)
{
    size_t files = 0, own;
    uint64_t bytes = 0;
    if (progress == NULL)
        return;
    for (size_t i = 0; i < r->series_count; i++) {
        bytes += (uint64_t)series_verify_listed(r->series[i], &own);
        files += own;
    }
    progress_begin(progress, "checking files", files, bytes);
}

enum err_code verify_command(const struct verify_request *r, FILE *out)
{
    struct verify_answer a = {calloc(r->series_count + 1, sizeof *a.series), r->series_count};
    struct progress *progress = progress_show_counters(r->show);
    enum err_code worst = ERR_OK, code = ERR_OK;
    struct err e = {0};
    if (a.series == NULL)
        code = err_set(&e, ERR_MEMORY, "out of memory for %zu series", r->series_count);
    else
        begin(r, progress);
    for (size_t i = 0; code == ERR_OK && i < a.count; i++) {
        a.series[i].folder = r->series[i];
        if (!check(&a.series[i], progress))
            code = err_set(&e, ERR_MEMORY, "out of memory for the findings");
        if (err_exit_status(a.series[i].code) > err_exit_status(worst))
            worst = a.series[i].code;
    }
    progress_show_end(r->show);
    if (code == ERR_OK)
        code = r->json ? verify_json_write(&a, out, &e) : verify_text_write(&a, r->width, out, &e);
    if (a.series != NULL) {
        fflush(out);
        tell_all(r, &a);
    }
    if (code != ERR_OK) {
        r->tell(r->context, &e);
        worst = code;
    }
    for (size_t i = 0; a.series != NULL && i < a.count; i++) {
        for (size_t k = 0; k < a.series[i].count; k++)
            free_finding(&a.series[i].findings[k]);
        free(a.series[i].findings);
    }
    free(a.series);
    return worst;
}
