/* nipbench-analyze: reads series of runs, computes, writes reports. This file and request.c are the
 * only ones of the program that print messages or exit. */
#include "analyze/analysis.h"
#include "analyze/calibration_choice.h"
#include "analyze/comparison.h"
#include "analyze/prediction.h"
#include "analyze/report/answer.h"
#include "analyze/report/benches_command.h"
#include "analyze/report/calibrate_command.h"
#include "analyze/report/check_command.h"
#include "analyze/report/compare_text.h"
#include "analyze/report/predict_command.h"
#include "analyze/report/progress_show.h"
#include "analyze/report/repeats_command.h"
#include "analyze/report/report_json.h"
#include "analyze/report/report_write.h"
#include "analyze/report/text_width.h"
#include "analyze/report/text_wrap.h"
#include "analyze/report/verify_command.h"
#include "analyze/request.h"
#include "datasets/format/json_region.h"
#include "rig/base/err.h"

#include <argp.h>
#include <malloc.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

const char *argp_program_version = PROGRAM " " NIPBENCH_VERSION;

#define EXIT_STATUSES "\v" EXIT_STATUS_HELP

/* A message, in lines that fit where standard error is a terminal. A line of a file that is shown with a mark
 * below it stays as it is. */
static void complain(const struct err *e)
{
    char line[2048];
    FILE *lines = isatty(STDERR_FILENO) && e->source[0] == 0
                      ? text_wrap_open(stderr, text_width_of_terminal(STDERR_FILENO, NULL))
                      : NULL;
    if (lines == NULL) {
        request_complain(e);
        return;
    }
    fprintf(lines, PROGRAM ": %s\n", err_format(e, line, sizeof line));
    fclose(lines);
}

static int system_trouble(const struct err *e)
{
    complain(e);
    return err_exit_status(e->code);
}

/* Columns for results. */
static int output_width(void)
{
    return text_width_of_terminal(STDOUT_FILENO, getenv("COLUMNS"));
}

/* Long work shows how far it is, to people only. */
static struct progress_show *show_progress(void)
{
    return isatty(STDERR_FILENO) ? progress_show_new(stderr, text_width_of_terminal(STDERR_FILENO, NULL))
                                 : NULL;
}

static void tell_finding(void *context, const struct err *finding)
{
    (void)context;
    complain(finding);
}

static int run_verify(const struct request *r)
{
    struct verify_request request = {.series = r->series,
                                     .series_count = r->series_count,
                                     .json = r->json,
                                     .width = output_width(),
                                     .show = show_progress(),
                                     .tell = tell_finding};
    int status = err_exit_status(verify_command(&request, stdout));
    progress_show_free(request.show);
    return status;
}

static struct session_options session_options_of(const struct request *r, struct progress_show *show)
{
    struct session_options options = {.threads = r->threads,
                                      .margin = r->margin,
                                      .matter_count = r->matter_count,
                                      .calibrations = r->calibration_of,
                                      .motors = r->motors,
                                      .motor_count = r->motor_count,
                                      .progress = progress_show_counters(show)};
    memcpy(options.accept, r->accept, sizeof options.accept);
    memcpy(options.matters, r->matters, sizeof options.matters);
    return options;
}

static enum err_code analyse(const struct request *r, struct progress_show *show, struct session **session,
                             struct err *e)
{
    struct session_options options = session_options_of(r, show);
    enum err_code code = session_analyse_with(r->series, r->series_count, &options, session, e);
    const char *idle;
    struct err note;
    if (code != ERR_OK)
        return code;
    idle = comparison_idle_matter(*session, false);
    if (idle != NULL)
        return err_set(e, ERR_USAGE, "--matters: no two feeders here are compared in '%.60s'", idle);
    if (r->motor_count > 0 && !prediction_any_measured(*session)) {
        err_set(&note, ERR_FILE,
                "--motor: nothing was measured that a motor's force can be held against; a blocked push or a "
                "speed sweep would be");
        progress_show_erase(show);
        complain(&note);
    }
    idle = comparison_idle_matter(*session, true);
    if (idle != NULL && (*session)->comparison_count > 0) {
        err_set(&note, ERR_FILE,
                "differences_that_matter of a plan: no two feeders here are compared in '%.60s'", idle);
        progress_show_erase(show);
        complain(&note);
    }
    return ERR_OK;
}

/* The status of a command that is over, with what it complains of. */
static int ended(enum err_code code, struct progress_show *show, const struct err *e)
{
    progress_show_free(show);
    return code == ERR_OK ? EXIT_DONE : system_trouble(e);
}

static int run_check(const struct request *r)
{
    struct check_request request = {.published = r->check,
                                    .series = r->series,
                                    .series_count = r->series_count,
                                    .calibrations = r->calibration_of,
                                    .threads = r->threads,
                                    .json = r->json};
    struct err e = {0};
    if (r->out != NULL || r->no_figures || r->chosen || r->html || r->md)
        return request_misuse(
            "report: --check takes what the published file names itself, and no option beside "
            "--calibration, --json and --threads; see %s",
            "--help");
    quantity_init_numerics();
    request.show = show_progress();
    return ended(check_command(&request, stdout, &e), request.show, &e);
}

static int run_report(const struct request *r)
{
    struct session *session = NULL;
    struct err e = {0};
    struct report_options options = {.folder = r->out,
                                     .pages = (r->html ? REPORT_PAGE_HTML : 0) | (r->md ? REPORT_PAGE_MD : 0),
                                     .figures = !r->no_figures,
                                     .threads = r->threads};
    struct progress_show *show;
    enum err_code code;
    char folder[4096];
    if (r->check != NULL)
        return run_check(r);
    if (r->out == NULL)
        return request_misuse("report: %s is missing; see --help", "--out DIR");
    show = show_progress();
    options.progress = progress_show_counters(show);
    code = report_check_folder(r->out, &e);
    if (code == ERR_OK)
        code = analyse(r, show, &session, &e);
    if (code == ERR_OK)
        code = report_write(session, &options, &e);
    progress_show_end(show);
    if (code == ERR_OK && r->json)
        code = report_json_write(session, stdout, &e);
    else if (code == ERR_OK) {
        snprintf(folder, sizeof folder, "%s", r->out);
        err_clean_text(folder);
        if (r->html || !r->md)
            printf("%s/report.html\n", folder);
        if (r->md)
            printf("%s/report.md\n", folder);
    }
    session_free(session);
    return ended(code, show, &e);
}

static int run_compare(const struct request *r)
{
    struct session *session = NULL;
    struct err e = {0};
    size_t judged = 0, not_comparable = 0;
    struct progress_show *show = show_progress();
    enum err_code code = analyse(r, show, &session, &e);
    progress_show_end(show);
    if (code == ERR_OK)
        code = r->json ? report_json_write(session, stdout, &e)
                       : compare_text_write(session, output_width(), stdout, &e);
    if (code == ERR_OK) {
        answer_count(session, &judged, &not_comparable);
        if (judged + not_comparable == 0)
            code = err_set(&e, ERR_NO_ANSWER,
                           "no two feeders went through the same test: there is nothing to compare");
        else if (not_comparable > 0)
            code = err_set(&e, ERR_NO_ANSWER, "%zu of %zu comparisons cannot be judged", not_comparable,
                           judged + not_comparable);
    }
    session_free(session);
    return ended(code, show, &e);
}

static int run_calibrate(const struct request *r)
{
    struct calibrate_request request = {.readings = r->series[0],
                                        .degree = r->degree,
                                        .out = r->out,
                                        .json = r->json,
                                        .dry_run = r->dry_run,
                                        .now_unix_s = (int64_t)time(NULL),
                                        .width = output_width()};
    struct err e = {0};
    if (r->series_count > 1)
        return request_misuse("'%.200s' is one file too many: readings are calibrated one by one; see --help",
                              r->series[1]);
    quantity_init_numerics();
    return calibrate_command(&request, stdout, &e) == ERR_OK ? EXIT_DONE : system_trouble(&e);
}

static int run_predict(const struct request *r)
{
    struct predict_request request = {.motor = r->series[0],
                                      .series = r->series + 1,
                                      .series_count = r->series_count - 1,
                                      .calibrations = r->calibration_of + 1,
                                      .feeder = r->feeder,
                                      .speeds = r->speeds,
                                      .out = r->out,
                                      .json = r->json,
                                      .no_figures = r->no_figures,
                                      .threads = r->threads,
                                      .width = output_width(),
                                      .show = show_progress()};
    struct err e = {0};
    quantity_init_numerics();
    return ended(predict_command(&request, stdout, &e), request.show, &e);
}

static int run_repeats(const struct request *r)
{
    struct progress_show *show = show_progress();
    struct repeats_request request = {.series = r->series,
                                      .series_count = r->series_count,
                                      .session = session_options_of(r, show),
                                      .difference = r->difference,
                                      .power = r->power,
                                      .level = r->level,
                                      .feeders = r->feeders,
                                      .design = r->design,
                                      .scatter = r->scatter,
                                      .quantity = r->quantity,
                                      .speed = r->speed,
                                      .json = r->json,
                                      .width = output_width(),
                                      .show = show};
    struct err e = {0};
    quantity_init_numerics();
    return ended(repeats_command(&request, stdout, &e), show, &e);
}

static int run_benches(const struct request *r)
{
    struct progress_show *show = show_progress();
    struct benches_request request = {.series = r->series,
                                      .series_count = r->series_count,
                                      .session = session_options_of(r, show),
                                      .table = r->table,
                                      .quantity = r->quantity,
                                      .speed = r->speed,
                                      .feeder = r->feeder,
                                      .json = r->json,
                                      .width = output_width(),
                                      .show = show};
    struct err e = {0};
    quantity_init_numerics();
    return ended(benches_command(&request, stdout, &e), show, &e);
}

/* Commands, in the order in which --help lists them. */
static const struct command {
    const char *name;
    const struct argp_option *options;
    const char *arguments, *text;
    int (*run)(const struct request *r);
} COMMANDS[] = {
    {"calibrate", REQUEST_CALIBRATE, "READINGS.csv",
     "Fit the readings of hung weights, or the measured lengths of a feed, and write calibration.json. A "
     "file of "
     "the same name that ends in .json tells how they were taken, when there is one." EXIT_STATUSES,
     run_calibrate},
    {"verify", REQUEST_VERIFY, "SERIES...",
     "Check series folders byte by byte against their own hashes, and print the hash of each package that is "
     "as it was published, one number to quote. Findings go to standard error." EXIT_STATUSES,
     run_verify},
    {"report", REQUEST_REPORT, "SERIES... --out DIR\nSERIES... --check RESULTS.json",
     "Analyse series and write report.html or report.md, results.json, results.csv and figures/ into "
     "DIR." EXIT_STATUSES,
     run_report},
    {"compare", REQUEST_COMPARE, "SERIES...",
     "Say which feeder pushes harder, how they differ in the other tests, and how sure that is. Status 1 "
     "means that some pair is not comparable, "
     "or that there is "
     "none." EXIT_STATUSES,
     run_compare},
    {"predict", REQUEST_PREDICT, "MOTOR.yaml [SERIES...]",
     "Work out from a motor's data sheet what the push force should be at each speed, and hold it against "
     "what series measured. Status 1 means that they differ somewhere by more than the joint 95 % interval: "
     "likely causes are then listed, each with the measurement that would tell." EXIT_STATUSES,
     run_predict},
    {"repeats", REQUEST_REPEATS, "[SERIES...]",
     "Say how many repeats it takes to find a difference, by the scatter of a pilot series or by one that is "
     "stated, and what the series as it is could have seen." EXIT_STATUSES,
     run_repeats},
    {"benches", REQUEST_BENCHES, "[SERIES...]",
     "Say how well results repeat on one bench and reproduce on another, for series of one feeder from "
     "several benches (ISO 5725-2, with its consistency checks); or, for series from one bench, what "
     "feeders, "
     "operators, refits and repeats bring to the scatter, and which share of it is the rig's own. Status 1 "
     "means that a bench is an outlier, or that some feeder or speed has no answer." EXIT_STATUSES,
     run_benches},
};
#define COMMAND_COUNT (sizeof COMMANDS / sizeof COMMANDS[0])

/* The words of --calibration, to the series that they are for. before: words in front of the series. */
static enum err_code choose_calibrations(struct request *r, size_t before, struct err *e)
{
    size_t count = r->series_count > before ? r->series_count - before : 0;
    return calibration_choice(r->calibrations, r->calibration_count, r->series + before, count,
                              r->calibration_of + before, e);
}

static int run_command(const struct command *command, int argc, char **argv)
{
    struct argp argp = {
        command->options, request_option, command->arguments, command->text, NULL, NULL, NULL};
    struct request r = {.margin = SESSION_MARGIN};
    struct err e = {0};
    char name[64], missing[64];
    int status;
    snprintf(name, sizeof name, PROGRAM " %s", command->name);
    argv[0] = name;
    r.series = calloc((size_t)argc, sizeof *r.series);
    r.calibrations = calloc((size_t)argc, sizeof *r.calibrations);
    r.calibration_of = calloc((size_t)argc + 1, sizeof *r.calibration_of);
    if (r.series == NULL || r.calibrations == NULL || r.calibration_of == NULL) {
        err_set(&e, ERR_MEMORY, "out of memory");
        status = system_trouble(&e);
        goto out;
    }
    argp_parse(&argp, argc, argv, 0, NULL, &r);
    if (r.series_count == 0 && command->arguments[0] != '[') {
        snprintf(missing, sizeof missing, "%s: %.*s is missing", command->name,
                 (int)strcspn(command->arguments, ". "), command->arguments);
        status = request_misuse("%s; see --help", missing);
    } else if (choose_calibrations(&r, command->run == run_predict ? 1 : 0, &e) != ERR_OK) {
        status = system_trouble(&e);
    } else {
        status = command->run(&r);
    }
out:
    free(r.series);
    free(r.calibrations);
    free(r.calibration_of);
    return status;
}

/* The words before the command. */
struct outer {
    int command; /* index into argv; 0: none */
};

static error_t take_outer(int key, char *argument, struct argp_state *state)
{
    struct outer *outer = state->input;
    (void)argument;
    if (key != ARGP_KEY_ARG)
        return ARGP_ERR_UNKNOWN;
    outer->command = state->next - 1;
    state->next = state->argc;
    return 0;
}

static int flush_output(int status)
{
    /* What went wrong earlier is forgotten by the last flush. */
    bool good = ferror(stdout) == 0;
    if (fclose(stdout) == 0 && good)
        return status;
    struct err e;
    err_set(&e, ERR_SYSTEM, "standard output could not be written");
    return system_trouble(&e);
}

/* Runs come one behind the other, each in arrays as large as those of the one before. By itself malloc takes
 * each such array from the system and gives it back, which costs a page fault for every 4 KiB, and so a sixth
 * of the time of a report of many short runs. Now only what is larger than a run mostly is goes back at once.
 *
 * What a thread has in an arena of its own no other thread may use, and malloc_trim does not give back what
 * lies free at the end of it. So there are few: a run takes some fifty arrays and computes for milliseconds,
 * and eight threads are hardly ever in each other's way. */
#define CORES_OF_AN_ARENA 8
static void keep_memory(void)
{
    mallopt(M_ARENA_MAX, 1 + (int)(sysconf(_SC_NPROCESSORS_ONLN) / CORES_OF_AN_ARENA));
    mallopt(M_MMAP_THRESHOLD, 4 * 1024 * 1024);
    mallopt(M_TRIM_THRESHOLD, 64 * 1024 * 1024);
}

static void end_without_memory(void)
{
    struct err e;
    err_set(&e, ERR_MEMORY, "not enough memory");
    exit(system_trouble(&e));
}

int main(int argc, char **argv)
{
    static const char text[] = "Work out what filament feeders can push, and compare them.\n\n"
                               "Commands:\n"
                               "  calibrate READINGS.csv       fit hung weights or a measured feed\n"
                               "  verify SERIES...             check series against their hashes\n"
                               "  report SERIES... --out DIR   write a report with figures and tables\n"
                               "  compare SERIES...            say which feeder pushes harder\n"
                               "  predict MOTOR.yaml [SERIES]  push force by a motor's data sheet\n"
                               "  repeats [SERIES...]          how many repeats would show a difference\n"
                               "  benches [SERIES...]          repeatability and reproducibility\n\n"
                               "COMMAND --help tells the options of a command." EXIT_STATUSES;
    struct argp argp = {NULL, take_outer, "COMMAND [WORDS...]", text, NULL, NULL, NULL};
    struct outer outer = {0};
    static char name[] = PROGRAM;
    argv[0] = name;
    keep_memory();
    json_region_set_up(end_without_memory);
    argp_err_exit_status = EXIT_WRONG_USE;
    argp_parse(&argp, argc, argv, ARGP_IN_ORDER, NULL, &outer);
    if (outer.command == 0)
        return request_misuse("%s; see --help", "a command is missing");
    for (size_t i = 0; i < COMMAND_COUNT; i++) {
        if (strcmp(argv[outer.command], COMMANDS[i].name) == 0)
            return flush_output(run_command(&COMMANDS[i], argc - outer.command, argv + outer.command));
    }
    return request_misuse("'%.200s' is not a command; see --help", argv[outer.command]);
}
