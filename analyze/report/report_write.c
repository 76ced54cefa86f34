#include "analyze/report/report_write.h"

#include "analyze/report/calibration_used.h"
#include "analyze/report/figure.h"
#include "analyze/report/figure_pool.h"
#include "analyze/report/report_csv.h"
#include "analyze/report/report_html.h"
#include "analyze/report/report_json.h"
#include "analyze/report/report_md.h"
#include "datasets/format/file_bytes.h"

#include <dirent.h>
#include <errno.h>
#include <limits.h>
#include <pthread.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static enum err_code join(const char *folder, const char *name, char *path, struct err *e)
{
    if (snprintf(path, PATH_MAX, "%s/%s", folder, name) >= PATH_MAX)
        return err_set_at(e, ERR_USAGE, folder, 0, 0, "the path is too long");
    return ERR_OK;
}

static bool ends_with(const char *name, const char *ending)
{
    size_t length = strlen(name), end = strlen(ending);
    return length > end && strcmp(name + length - end, ending) == 0;
}

/* The name of a file of a report, or, where a report was killed while it wrote that, the name under which it
 * was being written (file_bytes_begin): base receives that of the file. */
static bool base_name(const char *name, char *base, size_t size)
{
    static const char ending[] = ".XXXXXX.tmp";
    size_t length = strlen(name);
    if (length >= size)
        return false;
    strcpy(base, name);
    if (ends_with(name, ".tmp") && length >= sizeof ending && name[length - (sizeof ending - 1)] == '.')
        base[length - (sizeof ending - 1)] = 0;
    return true;
}

/* A file name that a report of any version of these figures may have written into figures/. */
static bool figure_file(const char *written)
{
    static const char *const starts[] = {"push-",   "test-",        "stall-force.", "slip-onset.",
                                         "torque.", "differences.", "budget.",      "prediction."};
    static const char *const endings[] = {".gp", ".csv", ".svg"};
    char name[NAME_MAX + 1];
    bool start = false, ending = false;
    if (!base_name(written, name, sizeof name))
        return false;
    for (size_t i = 0; i < sizeof starts / sizeof starts[0]; i++)
        start |= strncmp(name, starts[i], strlen(starts[i])) == 0;
    for (size_t i = 0; i < sizeof endings / sizeof endings[0]; i++)
        ending |= ends_with(name, endings[i]);
    return start && ending && strspn(name, "abcdefghijklmnopqrstuvwxyz0123456789-.") == strlen(name);
}

/* What is written piece by piece, and its file. */
enum page { PAGE_JSON, PAGE_CSV, PAGE_HTML, PAGE_MD };
static const char *const FILES[] = {"results.json", "results.csv", "report.html", "report.md"};

static bool report_file(const char *written)
{
    char name[NAME_MAX + 1];
    if (!base_name(written, name, sizeof name))
        return false;
    for (size_t i = 0; i < sizeof FILES / sizeof FILES[0]; i++) {
        if (strcmp(name, FILES[i]) == 0)
            return true;
    }
    return calibration_used_is_name(name);
}

/* A link in place of a file of ours would lead a write to somewhere else. */
static bool is_kind(const char *path, mode_t kind)
{
    struct stat info;
    return lstat(path, &info) == 0 && (info.st_mode & S_IFMT) == kind;
}

enum scan { SCAN_CHECK, SCAN_REMOVE };

/* Go through figures/: refuse what is not ours, or remove what is. A folder that is not there holds nothing.
 */
static enum err_code scan_figures(const char *folder, enum scan what, struct err *e)
{
    DIR *directory = opendir(folder);
    enum err_code code = ERR_OK;
    struct dirent *entry;
    char path[PATH_MAX];
    if (directory == NULL)
        return errno == ENOENT
                   ? ERR_OK
                   : err_set_at(e, ERR_SYSTEM, folder, 0, 0, "cannot be read: %s", strerror(errno));
    while (code == ERR_OK && (entry = readdir(directory)) != NULL) {
        if (strcmp(entry->d_name, ".") == 0 || strcmp(entry->d_name, "..") == 0)
            continue;
        code = join(folder, entry->d_name, path, e);
        if (code != ERR_OK)
            break;
        if (!figure_file(entry->d_name) || !is_kind(path, S_IFREG))
            code = err_set_at(
                e, ERR_USAGE, path, 0, 0,
                "is not from an earlier report, so this folder is left alone; name a new or empty one");
        else if (what == SCAN_REMOVE && unlink(path) != 0)
            code = err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be removed: %s", strerror(errno));
    }
    closedir(directory);
    return code;
}

/* results.json is there from the beginning of a report and names its schema in the first lines. */
static bool holds_results(const char *folder)
{
    char path[PATH_MAX], head[200];
    size_t length = 0;
    FILE *in;
    if (join(folder, "results.json", path, NULL) != ERR_OK)
        return false;
    in = fopen(path, "re");
    if (in != NULL) {
        length = fread(head, 1, sizeof head - 1, in);
        fclose(in);
    }
    head[length] = 0;
    return strstr(head, "\"" REPORT_JSON_SCHEMA "\"") != NULL;
}

enum err_code report_check_folder(const char *folder, struct err *e)
{
    DIR *directory = opendir(folder);
    enum err_code code = ERR_OK;
    struct dirent *entry;
    char path[PATH_MAX];
    size_t entries = 0;
    if (directory == NULL) {
        if (errno == ENOENT)
            return ERR_OK;
        return err_set_at(e, errno == ENOTDIR ? ERR_USAGE : ERR_SYSTEM, folder, 0, 0,
                          "cannot hold a report: %s", strerror(errno));
    }
    while (code == ERR_OK && (entry = readdir(directory)) != NULL) {
        if (strcmp(entry->d_name, ".") == 0 || strcmp(entry->d_name, "..") == 0)
            continue;
        /* What was being written for the first time when a report was killed is no results.json yet. */
        entries += !ends_with(entry->d_name, ".tmp");
        code = join(folder, entry->d_name, path, e);
        if (code != ERR_OK)
            break;
        if (strcmp(entry->d_name, "figures") == 0 && is_kind(path, S_IFDIR))
            code = scan_figures(path, SCAN_CHECK, e);
        else if (!report_file(entry->d_name) || !is_kind(path, S_IFREG))
            code = err_set_at(
                e, ERR_USAGE, path, 0, 0,
                "is not from an earlier report, so this folder is left alone; name a new or empty one");
    }
    closedir(directory);
    if (code == ERR_OK && entries > 0 && !holds_results(folder))
        code = err_set_at(
            e, ERR_USAGE, folder, 0, 0,
            "its results.json is not from an earlier report, so this folder is left alone; name a new or "
            "empty one");
    return code;
}

static enum err_code make_folder(const char *folder, struct err *e)
{
    if (mkdir(folder, 0777) != 0 && errno != EEXIST)
        return err_set_at(e, errno == ENOENT || errno == ENOTDIR ? ERR_USAGE : ERR_SYSTEM, folder, 0, 0,
                          "cannot be made: %s", strerror(errno));
    return ERR_OK;
}

/* The pages of a report. */
static const struct {
    unsigned wanted;
    enum page page;
} PAGES[] = {{REPORT_PAGE_HTML, PAGE_HTML}, {REPORT_PAGE_MD, PAGE_MD}};
#define PAGE_COUNT (sizeof PAGES / sizeof PAGES[0])

static bool wants(const struct report_options *options, size_t page)
{
    return ((options->pages == 0 ? REPORT_PAGE_HTML : options->pages) & PAGES[page].wanted) != 0;
}

/* A page that this report will not write again must not stay beside its numbers. */
static enum err_code remove_other_pages(const struct report_options *options, struct err *e)
{
    for (size_t i = 0; i < PAGE_COUNT; i++) {
        char path[PATH_MAX];
        enum err_code code = join(options->folder, FILES[PAGES[i].page], path, e);
        if (code != ERR_OK)
            return code;
        if (!wants(options, i) && unlink(path) != 0 && errno != ENOENT)
            return err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be removed: %s", strerror(errno));
    }
    return ERR_OK;
}

static enum err_code join_ending(const char *folder, const char *name, const char *ending, char *path,
                                 struct err *e)
{
    char file[FIGURE_NAME_SIZE + 8];
    snprintf(file, sizeof file, "%s%s", name, ending);
    return join(folder, file, path, e);
}

/* Remove those files of the folder that `goes` is true of. */
static enum err_code remove_files(const char *folder, bool (*goes)(const char *name, const void *context),
                                  const void *context, struct err *e)
{
    DIR *directory = opendir(folder);
    enum err_code code = ERR_OK;
    const struct dirent *entry;
    char path[PATH_MAX];
    if (directory == NULL)
        return err_set_at(e, ERR_SYSTEM, folder, 0, 0, "cannot be read: %s", strerror(errno));
    while (code == ERR_OK && (entry = readdir(directory)) != NULL) {
        if (!goes(entry->d_name, context))
            continue;
        code = join(folder, entry->d_name, path, e);
        if (code == ERR_OK && unlink(path) != 0)
            code = err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be removed: %s", strerror(errno));
    }
    closedir(directory);
    return code;
}

static bool is_unfinished_file(const char *name, const void *context)
{
    (void)context;
    return ends_with(name, ".tmp") && report_file(name);
}

/* A calibration that an earlier report kept must not stay for one of this. */
static bool is_other_calibration(const char *name, const void *session)
{
    return calibration_used_is_name(name) && !calibration_used_keeps(session, name);
}

/* Begin a report in a folder that was checked: what one that was killed was writing goes, and where there is
 * no results.json yet one says whose folder this is, so that the next report may finish what this one may
 * not. */
static enum err_code begin_report(const struct report_options *options, struct err *e)
{
    const char *folder = options->folder;
    static const char unfinished[] = "{\"schema\": \"" REPORT_JSON_SCHEMA "\", \"unfinished\": true}\n";
    char path[PATH_MAX];
    enum err_code code = remove_files(folder, is_unfinished_file, NULL, e);
    if (code == ERR_OK && !holds_results(folder)) {
        code = join(folder, FILES[PAGE_JSON], path, e);
        if (code == ERR_OK)
            code = file_bytes_write_with(path, unfinished, sizeof unfinished - 1, FILE_BYTES_MADE_AGAIN, e);
    }
    return code == ERR_OK ? remove_other_pages(options, e) : code;
}

static enum err_code begin_file(struct file_bytes_writer *file, const char *folder, const char *name,
                                const char *ending, struct err *e)
{
    char path[PATH_MAX];
    enum err_code code = join_ending(folder, name, ending, path, e);
    return code == ERR_OK ? file_bytes_begin(file, path, FILE_BYTES_MADE_AGAIN, e) : code;
}

/* Script and data of one figure, piece by piece to their files. */
static enum err_code write_figure(const struct session *session, const char *folder, struct figure *f,
                                  struct err *e)
{
    struct file_bytes_writer data, script;
    enum err_code code = begin_file(&data, folder, f->name, ".csv", e);
    if (code != ERR_OK)
        return code;
    code = begin_file(&script, folder, f->name, ".gp", e);
    if (code != ERR_OK) {
        file_bytes_drop(&data);
        return code;
    }
    code = figure_write(session, f, script.out, data.out, e);
    if (code == ERR_OK)
        code = file_bytes_end(&data, e);
    else
        file_bytes_drop(&data);
    if (code == ERR_OK)
        return file_bytes_end(&script, e);
    file_bytes_drop(&script);
    return code;
}

/* Scripts and data of figures behind one that failed: one figure at a time would not have come to them. */
static void remove_scripts(const char *folder, const struct figures *figures, size_t behind)
{
    static const char *const endings[] = {".csv", ".gp"};
    for (size_t i = behind + 1; i < figures->count; i++) {
        for (size_t k = 0; k < 2; k++) {
            char path[PATH_MAX];
            if (join_ending(folder, figures->figure[i].name, endings[k], path, NULL) == ERR_OK)
                unlink(path);
        }
    }
}

/* While gnuplots draw, the next figures are written. */
static enum err_code write_figures(const struct session *session, const struct report_options *options,
                                   const char *folder, struct figures *figures, struct err *e)
{
    struct figure_pool pool;
    enum err_code code = ERR_OK;
    progress_begin(options->progress, options->figures ? "drawing figures" : "writing figures",
                   figures->count, figures->count);
    figure_pool_init(&pool, folder, figures, options->threads);
    for (size_t i = 0; i < figures->count; i++) {
        struct err error = {0};
        if (write_figure(session, folder, &figures->figure[i], &error) != ERR_OK) {
            figure_pool_fail(&pool, i, &error);
            break;
        }
        if (!options->figures)
            continue;
        if (!figure_pool_start(&pool, i))
            break;
        if (i >= pool.places)
            progress_add(options->progress, 1, 1);
    }
    code = figure_pool_finish(&pool, e);
    if (code != ERR_OK)
        remove_scripts(folder, figures, pool.failed);
    return code;
}

/* Piece by piece to the file: nothing that grows with the runs is held. */
static enum err_code write_page(const struct session *session, const struct figures *figures, enum page page,
                                const char *folder, struct err *e)
{
    struct file_bytes_writer file = {0};
    char path[PATH_MAX];
    enum err_code code = join(folder, FILES[page], path, e);
    if (code == ERR_OK)
        code = file_bytes_begin(&file, path, FILE_BYTES_MADE_AGAIN, e);
    if (code != ERR_OK)
        return code;
    if (page == PAGE_CSV)
        report_csv_write(session, file.out);
    else if (page == PAGE_HTML)
        code = report_html_write(session, figures, file.out, e);
    else
        code = report_md_write(session, figures, file.out, e);
    /* A file that took not all says itself why. */
    if (code == ERR_OK || ferror(file.out) != 0)
        return file_bytes_end(&file, e);
    file_bytes_drop(&file);
    return code;
}

/* results.json is by far the longest of what is written: threads make it beside the rest, and who is done
 * with that helps. While gnuplots have all cores they are not started: there is the page to be written by one
 * thread after that. */
#define NUMBERS_THREADS 3

struct numbers {
    struct file_bytes_writer file;
    struct report_json *writer;
    pthread_t threads[NUMBERS_THREADS];
    int started;
};

static void *work_on_numbers(void *writer)
{
    report_json_work(writer);
    return NULL;
}

static enum err_code begin_numbers(struct numbers *n, const struct session *session,
                                   const struct report_options *options, struct err *e)
{
    enum err_code code = begin_file(&n->file, options->folder, FILES[PAGE_JSON], "", e);
    n->started = 0;
    if (code != ERR_OK)
        return code;
    code = report_json_begin(session, n->file.out, &n->writer, e);
    if (code != ERR_OK) {
        file_bytes_drop(&n->file);
        return code;
    }
    return ERR_OK;
}

static void start_numbers(struct numbers *n, const struct report_options *options)
{
    int threads = options->threads > 0 ? options->threads : (int)sysconf(_SC_NPROCESSORS_ONLN);
    while (n->started < NUMBERS_THREADS && n->started < threads - 1 &&
           pthread_create(&n->threads[n->started], NULL, work_on_numbers, n->writer) == 0)
        n->started++;
}

static enum err_code end_numbers(struct numbers *n, struct err *e)
{
    enum err_code code;
    report_json_work(n->writer);
    for (int i = 0; i < n->started; i++)
        pthread_join(n->threads[i], NULL);
    code = report_json_end(n->writer, e);
    /* A file that took not all says itself why. */
    if (code == ERR_OK || ferror(n->file.out) != 0)
        return file_bytes_end(&n->file, e);
    file_bytes_drop(&n->file);
    return code;
}

/* Figures, results.csv and the pages. */
static enum err_code write_rest(const struct session *session, const struct report_options *options,
                                struct numbers *numbers, struct err *e)
{
    char folder[PATH_MAX];
    struct figures figures = {.folder = folder};
    enum err_code drawn = ERR_OK, code;
    struct err figure_error = {0};
    code = join(options->folder, "figures", folder, e);
    if (code == ERR_OK)
        code = make_folder(folder, e);
    if (code == ERR_OK)
        code = scan_figures(folder, SCAN_REMOVE, e);
    if (code == ERR_OK)
        code = figures_list(session, &figures, e);
    if (code == ERR_OK && !options->figures)
        start_numbers(numbers, options);
    /* A page without figures is better than no page: a figure that fails is told last. */
    if (code == ERR_OK)
        drawn = write_figures(session, options, folder, &figures, &figure_error);
    if (code == ERR_OK && options->figures)
        start_numbers(numbers, options);
    if (code == ERR_OK)
        code = write_page(session, NULL, PAGE_CSV, options->folder, e);
    for (size_t i = 0; i < PAGE_COUNT && code == ERR_OK; i++) {
        if (wants(options, i))
            code = write_page(session, &figures, PAGES[i].page, options->folder, e);
    }
    if (code == ERR_OK && drawn != ERR_OK) {
        code = drawn;
        if (e != NULL)
            *e = figure_error;
    }
    figures_free(&figures);
    return code;
}

enum err_code report_write(const struct session *session, const struct report_options *options, struct err *e)
{
    struct numbers numbers;
    struct err of_numbers = {0};
    enum err_code code = report_check_folder(options->folder, e), numbers_code;
    if (code == ERR_OK)
        code = make_folder(options->folder, e);
    if (code == ERR_OK)
        code = begin_report(options, e);
    if (code == ERR_OK)
        code = calibration_used_write(session, options->folder, e);
    if (code == ERR_OK)
        code = begin_numbers(&numbers, session, options, e);
    if (code != ERR_OK)
        return code;
    /* The numbers are of use even when gnuplot is not to be had. */
    code = write_rest(session, options, &numbers, e);
    numbers_code = end_numbers(&numbers, &of_numbers);
    if (numbers_code != ERR_OK) {
        code = numbers_code;
        if (e != NULL)
            *e = of_numbers;
    }
    return code == ERR_OK ? remove_files(options->folder, is_other_calibration, session, e) : code;
}
