#include "datasets/format/series_recover.h"

#include "datasets/format/descriptor.h"
#include "datasets/format/file_bytes.h"
#include "datasets/format/kept.h"
#include "datasets/format/run_csv.h"
#include "datasets/format/run_recover.h"
#include "datasets/format/series.h"
#include "datasets/format/series_file.h"
#include "datasets/format/series_path.h"

#include <dirent.h>
#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define NUMBERS 10000 /* runs/NNNN */

/* Which files of a run are there. */
enum run_files { HAS_CSV = 1, HAS_RECORD = 2, HAS_ROWS_PART = 4, HAS_JOURNAL = 8, IS_IRREGULAR = 16 };

struct recovery {
    const char *folder;
    const struct plan *plan;
    void (*tell)(void *context, const char *text);
    void *context;
    unsigned files[NUMBERS]; /* sums of run_files */
    int others;              /* greatest number of a file in runs/ that is none of these */
    struct run_record record;
};

static void say(struct recovery *v, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void say(struct recovery *v, const char *format, ...)
{
    char text[1024];
    va_list arguments;
    if (v->tell == NULL)
        return;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    v->tell(v->context, err_clean_text(text));
}

static enum err_code remove_temporary(struct recovery *v, const char *full, const char *shown, struct err *e)
{
    if (unlink(full) != 0)
        return err_set_at(e, ERR_SYSTEM, full, 0, 0, "cannot be taken away: %s", strerror(errno));
    say(v, "%s: taken away; it was left by a write that did not end", shown);
    return ERR_OK;
}

static void note_file(struct recovery *v, int number, const char *ending, bool regular)
{
    static const struct {
        const char *ending;
        enum run_files file;
    } kinds[] = {
        {"csv", HAS_CSV}, {"json", HAS_RECORD}, {"csv.part", HAS_ROWS_PART}, {"json.part", HAS_JOURNAL}};
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
        if (strcmp(ending, kinds[i].ending) != 0)
            continue;
        v->files[number] |= kinds[i].file;
        /* A link in place of a finished file is for whoever reads it to judge. */
        if (!regular && (kinds[i].file & (HAS_ROWS_PART | HAS_JOURNAL)) != 0)
            v->files[number] |= IS_IRREGULAR;
        return;
    }
    if (number > v->others)
        v->others = number;
}

/* One entry of the folder (in_runs false) or of runs/. */
static enum err_code take_entry(struct recovery *v, const char *path, const char *name, bool in_runs,
                                struct err *e)
{
    static const char *const written[] = {DESCRIPTOR_NAME, "plan.yaml", "calibration.json"};
    char full[SERIES_PATH_MAX];
    struct stat status;
    char resource[300];
    const char *ending = NULL;
    bool temporary = false;
    int number;
    enum err_code code = series_path_join(path, name, full, e);
    if (code != ERR_OK || lstat(full, &status) != 0)
        return code;
    snprintf(resource, sizeof resource, "%s%s", in_runs ? "runs/" : "", name);
    number = series_path_run_file(resource, &ending);
    for (size_t i = 0; !in_runs && i < sizeof written / sizeof written[0]; i++)
        temporary = temporary || file_bytes_is_temporary(name, written[i]);
    if (number > 0) {
        char record[16];
        snprintf(record, sizeof record, "%04d.json", number);
        temporary = file_bytes_is_temporary(name, record);
    }
    if (temporary && S_ISREG(status.st_mode))
        return remove_temporary(v, full, resource, e);
    if (number > 0)
        note_file(v, number, ending, S_ISREG(status.st_mode));
    return ERR_OK;
}

static enum err_code scan(struct recovery *v, bool in_runs, struct err *e)
{
    char path[SERIES_PATH_MAX];
    struct stat status;
    const struct dirent *entry;
    DIR *listing;
    enum err_code code = series_path_join(v->folder, in_runs ? "runs" : "", path, e);
    if (code != ERR_OK)
        return code;
    if (lstat(path, &status) != 0)
        return err_set_at(e, ERR_FILE, path, 0, 0, "holds no series: %s", strerror(errno));
    if (!S_ISDIR(status.st_mode))
        return err_set_at(e, ERR_FILE, path, 0, 0, "is no folder of its own");
    listing = opendir(path);
    if (listing == NULL)
        return err_set_at(e, ERR_FILE, path, 0, 0, "cannot be opened: %s", strerror(errno));
    while (code == ERR_OK && (entry = readdir(listing)) != NULL)
        code = take_entry(v, path, entry->d_name, in_runs, e);
    closedir(listing);
    return code;
}

/* A run that cannot be put in order is told and left; what the system refuses ends the recovery. */
static enum err_code leave(struct recovery *v, int number, const struct err *why, struct err *e)
{
    char text[900];
    if (why->code != ERR_FILE) {
        if (e != NULL)
            *e = *why;
        return why->code;
    }
    say(v, "run %04d is left as it is: %s", number, err_format(why, text, sizeof text));
    return ERR_OK;
}

static enum err_code remove_empty_run(struct recovery *v, int number, struct err *e)
{
    char full[SERIES_PATH_MAX];
    enum err_code code = series_file_remove(v->folder, number, "csv.part", e);
    if (code == ERR_OK)
        code = series_file_path(v->folder, number, "csv.part", full, e);
    /* The journal goes last, so that a crash in between leaves no rows file without one. */
    if (code == ERR_OK)
        code = file_bytes_sync_folder(full, e);
    if (code == ERR_OK)
        code = series_file_remove(v->folder, number, "json.part", e);
    if (code == ERR_OK) {
        v->files[number] = 0;
        say(v, "run %04d: taken away; it was cut off before its first row", number);
    }
    return code;
}

static enum err_code read_record(struct recovery *v, int number, struct err *e)
{
    char path[32];
    char full[SERIES_PATH_MAX];
    enum err_code code;
    run_record_free(&v->record);
    series_path_of_run(number, "json", path);
    code = series_path_resolve(v->folder, path, full, e);
    if (code == ERR_OK)
        code = run_record_read(full, &v->record, e);
    if (code == ERR_OK && v->record.number != number)
        code = err_set_at(e, ERR_FILE, full, 0, 0, "number: is %d, but the file belongs to run %d",
                          v->record.number, number);
    return code;
}

/* The rows are there and so is the record, made when they were durable: all but the name is done. */
static enum err_code finish_run(struct recovery *v, int number, const char *rows, int64_t end, struct err *e)
{
    struct run_columns columns = {0};
    struct err why;
    int64_t count;
    enum err_code code = read_record(v, number, e);
    if (code != ERR_OK)
        return code;
    if (run_csv_read_start(rows, end, &columns, &why) != ERR_OK)
        return leave(v, number, &why, e);
    count = (int64_t)columns.n;
    run_columns_free(&columns);
    if (count != v->record.rows) {
        say(v,
            "run %04d is left as it is: runs/%04d.csv.part has %lld rows, but its record says %lld; another "
            "program changed one of them",
            number, number, (long long)count, (long long)v->record.rows);
        return ERR_OK;
    }
    code = series_file_rows(v->folder, number, end, e);
    if (code == ERR_OK) {
        v->files[number] = HAS_CSV | HAS_RECORD;
        say(v, "run %04d: filed with its %lld rows; its record was there already", number, (long long)count);
    }
    return code;
}

static enum err_code recover_run(struct recovery *v, int number, const char *rows, const char *journal,
                                 const char *record, int64_t end, int64_t tail, struct err *e)
{
    struct err why;
    enum err_code code;
    run_record_free(&v->record);
    code = run_recover_record(journal, rows, end, tail, &v->record, &why);
    if (code == ERR_OK && v->record.number != number)
        code = err_set_at(&why, ERR_FILE, journal, 1, 0, "number: is %d, but the file belongs to run %d",
                          v->record.number, number);
    /* The program may have ended before its last rows were durable, and a record must not outlive its rows.
     * It comes before the cut: should that not come to its end, the record still knows of it. */
    if (code == ERR_OK)
        code = series_file_sync_rows(rows, &why);
    if (code == ERR_OK)
        code = run_record_write(record, &v->record, &why);
    if (code != ERR_OK)
        return leave(v, number, &why, e);
    code = series_file_rows(v->folder, number, end, e);
    if (code == ERR_OK) {
        v->files[number] = HAS_CSV | HAS_RECORD;
        say(v, "run %04d: was cut off; its %lld rows are filed as interrupted (%lld bytes of a torn row cut)",
            number, (long long)v->record.rows, (long long)tail);
    }
    return code;
}

/* There is a file of rows that has not its final name. */
static enum err_code settle_rows(struct recovery *v, int number, struct err *e)
{
    char rows[SERIES_PATH_MAX];
    char journal[SERIES_PATH_MAX];
    char record[SERIES_PATH_MAX];
    enum run_remains remains;
    int64_t end;
    int64_t tail;
    struct err why;
    enum err_code code = series_file_path(v->folder, number, "csv.part", rows, e);
    if (code == ERR_OK)
        code = series_file_path(v->folder, number, "json.part", journal, e);
    if (code == ERR_OK)
        code = series_file_path(v->folder, number, "json", record, e);
    if (code != ERR_OK)
        return code;
    if (run_recover_find_end(rows, &remains, &end, &tail, &why) != ERR_OK)
        return leave(v, number, &why, e);
    if (remains == RUN_REMAINS_FOREIGN) {
        err_set_at(&why, ERR_FILE, rows, 1, 0, "no capture program began this file");
        return leave(v, number, &why, e);
    }
    if ((v->files[number] & HAS_RECORD) != 0)
        return finish_run(v, number, rows, end, e);
    if (remains == RUN_REMAINS_NOTHING)
        return remove_empty_run(v, number, e);
    return recover_run(v, number, rows, journal, record, end, tail, e);
}

static enum err_code settle_run(struct recovery *v, int number, struct err *e)
{
    unsigned files = v->files[number];
    const char *why = NULL;
    if ((files & IS_IRREGULAR) != 0)
        why = "a .part file of it is no regular file";
    else if ((files & HAS_ROWS_PART) != 0 && (files & HAS_CSV) != 0)
        why = "it has both a .csv and a .csv.part";
    else if ((files & HAS_ROWS_PART) != 0 && (files & (HAS_RECORD | HAS_JOURNAL)) == 0)
        why = "its .csv.part has no journal beside it";
    else if ((files & HAS_ROWS_PART) != 0)
        return settle_rows(v, number, e);
    else if ((files & HAS_CSV) != 0 && (files & HAS_RECORD) == 0)
        why = "its rows have no record";
    else if ((files & HAS_RECORD) != 0 && (files & HAS_CSV) == 0)
        why = "its record has no rows";
    else if (files == HAS_JOURNAL)
        return remove_empty_run(v, number, e);
    else if ((files & HAS_JOURNAL) != 0) {
        enum err_code code = series_file_remove(v->folder, number, "json.part", e);
        if (code == ERR_OK)
            say(v, "run %04d: its journal was left over and is taken away", number);
        return code;
    }
    if (why != NULL)
        say(v, "run %04d is left as it is: %s", number, why);
    return ERR_OK;
}

static bool is_finished(const struct recovery *v, int number)
{
    return (v->files[number] & (HAS_CSV | HAS_RECORD | HAS_ROWS_PART)) == (HAS_CSV | HAS_RECORD);
}

/* Whether the descriptor lists all runs that are finished. That a file it lists has gone is told and does not
 * count: writing it anew would hide the loss. */
static bool lists_all(struct recovery *v, const struct descriptor *d)
{
    static const struct {
        const char *ending;
        enum run_files file;
    } kinds[] = {{"csv", HAS_CSV}, {"json", HAS_RECORD}};
    unsigned listed[NUMBERS] = {0};
    bool all = descriptor_find(d, "plan.yaml") != NULL && descriptor_find(d, "calibration.json") != NULL;
    for (size_t i = 0; i < d->count; i++) {
        for (size_t k = 0; k < 2; k++)
            listed[series_path_run_number(d->resources[i].path, kinds[k].ending)] |= kinds[k].file;
    }
    for (int n = 1; n < NUMBERS; n++) {
        if (is_finished(v, n))
            all = all && listed[n] == (HAS_CSV | HAS_RECORD);
        else if (listed[n] != 0)
            say(v, "run %04d is listed in %s, but not all of it is there", n, DESCRIPTOR_NAME);
    }
    return all;
}

static enum err_code settle_descriptor(struct recovery *v, struct err *e)
{
    struct descriptor d = {0};
    char full[SERIES_PATH_MAX];
    bool right;
    enum err_code code = series_path_join(v->folder, DESCRIPTOR_NAME, full, e);
    if (code != ERR_OK)
        return code;
    right = series_path_resolve(v->folder, DESCRIPTOR_NAME, full, NULL) == ERR_OK &&
            descriptor_read(full, &d, NULL) == ERR_OK && lists_all(v, &d);
    descriptor_free(&d);
    if (right)
        return ERR_OK;
    code = series_write_package(v->folder, v->plan, e);
    if (code == ERR_OK)
        say(v, "%s: written anew", DESCRIPTOR_NAME);
    return code;
}

static size_t planned_runs(const struct plan *plan)
{
    size_t pushes = 0;
    for (size_t i = 0; i < plan->test_count; i++)
        pushes += plan_test_pushes(&plan->tests[i]);
    return pushes * plan->feeder_count * (size_t)plan->blocks;
}

/* What one more run of that place, later than those before, does to the progress. */
static void take_progress(const struct run_record *r, int place, struct series_progress *progress)
{
    bool sound = r->ended == RUN_COMPLETE || r->ended == RUN_LIMIT;
    if (sound && !progress->finished[place]) {
        progress->finished[place] = true;
        progress->finished_count++;
        progress->repeats[place] = 0;
    } else if (!sound && r->repeats > 0) {
        progress->finished_count -= progress->finished[place];
        progress->finished[place] = false;
        progress->repeats[place] = r->repeats;
    }
}

static enum err_code find_progress(struct recovery *v, struct series_progress *progress, struct err *e)
{
    size_t planned = planned_runs(v->plan);
    int greatest = 0;
    enum err_code code = ERR_OK;
    for (int n = 1; code == ERR_OK && n < NUMBERS; n++) {
        int place;
        if (v->files[n] != 0)
            greatest = n;
        if (!is_finished(v, n))
            continue;
        code = read_record(v, n, e);
        if (code != ERR_OK)
            break;
        snprintf(progress->rig_serial, sizeof progress->rig_serial, "%s",
                 kept_text_or_empty(v->record.rig_serial));
        place = v->record.plan_run > 0 ? v->record.plan_run : n;
        if (place > PLAN_RUNS_MAX || (size_t)place > planned)
            continue;
        take_progress(&v->record, place, progress);
    }
    progress->next_number = (greatest > v->others ? greatest : v->others) + 1;
    return code;
}

static enum err_code recover(struct recovery *v, struct series_progress *progress, struct err *e)
{
    char full[SERIES_PATH_MAX];
    enum err_code code = series_path_resolve(v->folder, "plan.yaml", full, e);
    if (code == ERR_OK)
        code = scan(v, true, e);
    if (code == ERR_OK)
        code = scan(v, false, e);
    for (int n = 1; code == ERR_OK && n < NUMBERS; n++)
        code = settle_run(v, n, e);
    if (code == ERR_OK)
        code = settle_descriptor(v, e);
    return code != ERR_OK ? code : find_progress(v, progress, e);
}

enum err_code series_recover(const char *folder, const struct plan *plan,
                             void (*tell)(void *context, const char *text), void *context,
                             struct series_progress *progress, struct err *e)
{
    struct recovery *v = calloc(1, sizeof *v);
    enum err_code code;
    memset(progress, 0, sizeof *progress);
    if (v == NULL)
        return err_set_at(e, ERR_MEMORY, folder, 0, 0, "no memory to put it in order");
    v->folder = folder;
    v->plan = plan;
    v->tell = tell;
    v->context = context;
    code = recover(v, progress, e);
    run_record_free(&v->record);
    free(v);
    return code;
}
