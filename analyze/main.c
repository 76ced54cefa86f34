/* nipbench-analyze: reads series of runs, computes, writes reports. The only file of the program that
 * prints messages or exits. */
#include "analyze/analysis.h"
#include "analyze/comparison.h"
#include "analyze/report/answer.h"
#include "analyze/report/benches_command.h"
#include "analyze/report/calibrate_command.h"
#include "analyze/report/check_command.h"
#include "analyze/report/compare_text.h"
#include "analyze/report/predict_command.h"
#include "analyze/report/repeats_command.h"
#include "analyze/report/report_json.h"
#include "analyze/report/report_write.h"
#include "datasets/format/series.h"
#include "rig/base/err.h"
#include "rig/base/number.h"

#include <argp.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define PROGRAM     "nipbench-analyze"
#define THREADS_MAX 64
#define SERIES_MAX  1000
/* Six times the load: past that no feeder is asked for anything. */
#define MARGIN_PERCENT_MAX 500

const char *argp_program_version = PROGRAM " " NIPBENCH_VERSION;

static void complain(const struct err *e)
{
    char line[2048];
    fprintf(stderr, PROGRAM ": %s\n", err_format(e, line, sizeof line));
}

static int misuse(const char *format, const char *word)
{
    struct err e;
    err_set(&e, ERR_USAGE, format, word);
    complain(&e);
    return EXIT_WRONG_USE;
}

#define EXIT_STATUSES                                                                                        \
    "\vExit status: 0 done; 1 ran, but the answer is no; 2 wrong use; 3 a bad input file; 4 device (not "    \
    "used here); 5 "                                                                                         \
    "system: disk full, no memory, no gnuplot, our own fault."

enum key {
    KEY_OUT = 'o',
    KEY_JSON = 'j',
    KEY_THREADS = 't',
    KEY_DEGREE = 'd',
    KEY_DRY_RUN = 'n',
    KEY_MARGIN = 'm',
    KEY_NO_FIGURES = 256,
    KEY_FEEDER,
    KEY_SPEEDS,
    KEY_ACCEPT,
    KEY_MATTERS,
    KEY_CHECK,
    KEY_DIFFERENCE,
    KEY_POWER,
    KEY_LEVEL,
    KEY_FEEDERS,
    KEY_DESIGN,
    KEY_SCATTER,
    KEY_QUANTITY,
    KEY_SPEED,
    KEY_TABLE
};

/* What the words after a command said. */
struct request {
    const char **series;
    size_t series_count;
    const char *out, *degree, *feeder, *speeds, *check;
    const char *difference, *power, *level, *feeders, *design, *scatter, *quantity, *speed, *table;
    bool json, no_figures, dry_run;
    bool chosen; /* margin, accept or matters were given */
    int threads;
    double margin; /* of the load, in operating charts: 0.2 for 20 % */
    bool accept[CONDITION_COUNT];
    struct plan_matter matters[PLAN_MATTERS_MAX];
    size_t matter_count;
};

/* Conditions that may differ, with commas between them. */
static void take_accept(const char *argument, struct request *r)
{
    char word[64];
    for (const char *p = argument;; p++) {
        size_t length = strcspn(p, ","), id;
        snprintf(word, sizeof word, "%.*s", (int)(length < 60 ? length : 60), p);
        id = conditions_find(word);
        if (id == CONDITION_COUNT)
            exit(misuse("--accept: '%.60s' is no condition; they are listed in datasets/README.md, such as "
                        "nip_preload_n",
                        word));
        r->accept[id] = true;
        p += length;
        if (*p == 0)
            return;
    }
}

/* QUANTITY=DIFFERENCE: the smallest difference that matters. */
static void take_matters(const char *argument, struct request *r)
{
    struct plan_matter *m = &r->matters[r->matter_count];
    size_t length = strcspn(argument, "=");
    struct err e;
    if (argument[length] == 0 || length == 0 || length >= sizeof m->quantity ||
        strspn(argument, "abcdefghijklmnopqrstuvwxyz0123456789_") != length)
        exit(misuse("--matters: '%.100s' is not of the form QUANTITY=DIFFERENCE, as in stall_force_n=2",
                    argument));
    if (r->matter_count == PLAN_MATTERS_MAX)
        exit(misuse("--matters: '%.100s' is one too many", argument));
    snprintf(m->quantity, sizeof m->quantity, "%.*s", (int)length, argument);
    if (number_read_double(argument + length + 1, 1e-12, 1e12, "--matters", "", &m->difference, &e) !=
        ERR_OK) {
        complain(&e);
        exit(EXIT_WRONG_USE);
    }
    r->matter_count++;
}

/* Options whose words their commands read themselves. */
static const struct {
    enum key key;
    size_t offset;
} WORDS[] = {
    {KEY_OUT, offsetof(struct request, out)},         {KEY_DEGREE, offsetof(struct request, degree)},
    {KEY_FEEDER, offsetof(struct request, feeder)},   {KEY_SPEEDS, offsetof(struct request, speeds)},
    {KEY_CHECK, offsetof(struct request, check)},     {KEY_DIFFERENCE, offsetof(struct request, difference)},
    {KEY_POWER, offsetof(struct request, power)},     {KEY_LEVEL, offsetof(struct request, level)},
    {KEY_FEEDERS, offsetof(struct request, feeders)}, {KEY_DESIGN, offsetof(struct request, design)},
    {KEY_SCATTER, offsetof(struct request, scatter)}, {KEY_QUANTITY, offsetof(struct request, quantity)},
    {KEY_SPEED, offsetof(struct request, speed)},     {KEY_TABLE, offsetof(struct request, table)}};

static bool take_word(int key, const char *argument, struct request *r)
{
    for (size_t i = 0; i < sizeof WORDS / sizeof WORDS[0]; i++) {
        if ((int)WORDS[i].key == key) {
            memcpy((char *)r + WORDS[i].offset, &argument, sizeof argument);
            return true;
        }
    }
    return false;
}

static error_t take_option(int key, char *argument, struct argp_state *state)
{
    struct request *r = state->input;
    struct err e;
    int64_t threads;
    double percent;
    switch (key) {
    case KEY_JSON:
        r->json = true;
        return 0;
    case KEY_DRY_RUN:
        r->dry_run = true;
        return 0;
    case KEY_NO_FIGURES:
        r->no_figures = true;
        return 0;
    case KEY_THREADS:
        if (number_read_int64(argument, 0, THREADS_MAX, "--threads", "", &threads, &e) != ERR_OK) {
            complain(&e);
            exit(EXIT_WRONG_USE);
        }
        r->threads = (int)threads;
        return 0;
    case KEY_MARGIN:
        r->chosen = true;
        if (number_read_double(argument, 0, MARGIN_PERCENT_MAX, "--margin", "%", &percent, &e) != ERR_OK) {
            complain(&e);
            exit(EXIT_WRONG_USE);
        }
        r->margin = percent / 100;
        return 0;
    case KEY_ACCEPT:
        r->chosen = true;
        take_accept(argument, r);
        return 0;
    case KEY_MATTERS:
        r->chosen = true;
        take_matters(argument, r);
        return 0;
    case ARGP_KEY_ARG:
        if (r->series_count == SERIES_MAX)
            exit(misuse("'%.200s' is one series too many; see --help", argument));
        r->series[r->series_count++] = argument;
        return 0;
    default:
        return take_word(key, argument, r) ? 0 : ARGP_ERR_UNKNOWN;
    }
}

#define OPTION_JSON                                                                                          \
    {                                                                                                        \
        "json", KEY_JSON, NULL, 0, "Print all results as JSON on standard output", 0                         \
    }
#define OPTION_THREADS                                                                                       \
    {                                                                                                        \
        "threads", KEY_THREADS, "N", 0,                                                                      \
            "Analyse N runs at a time; 0, the default, uses every core. The results do not "                 \
            "depend on it",                                                                                  \
            0                                                                                                \
    }
#define OPTION_MARGIN                                                                                        \
    {                                                                                                        \
        "margin", KEY_MARGIN, "PERCENT", 0,                                                                  \
            "What operating charts add to the load of a hot end before it is held against what a feeder "    \
            "can "                                                                                           \
            "push: 0 to 500, the default is 20",                                                             \
            0                                                                                                \
    }

#define OPTION_ACCEPT                                                                                        \
    {                                                                                                        \
        "accept", KEY_ACCEPT, "FIELD,...", 0,                                                                \
            "Compare feeders although they differ in these conditions, such as nip_preload_n; every number " \
            "that rests on it says so",                                                                      \
            0                                                                                                \
    }
#define OPTION_MATTERS                                                                                       \
    {                                                                                                        \
        "matters", KEY_MATTERS, "QUANTITY=DIFFERENCE", 0,                                                    \
            "The smallest difference that matters, as in stall_force_n=2: feeders shown to differ by less "  \
            "are called equivalent. Goes before what the plan says; may be given for several quantities",    \
            0                                                                                                \
    }

static const struct argp_option report_options_table[] = {
    {"check", KEY_CHECK, "RESULTS.json", 0,
     "Write no report: work a published results.json out again from the series, with the options that it "
     "names, and tell each number that differs by more than rounding. Status 1 means that one does",
     0},
    {"out", KEY_OUT, "DIR", 0, "Folder for the report; a new or empty one, or that of an earlier report", 0},
    OPTION_JSON,
    OPTION_THREADS,
    OPTION_MARGIN,
    OPTION_ACCEPT,
    OPTION_MATTERS,
    {"no-figures", KEY_NO_FIGURES, NULL, 0, "Write the figures' scripts and data but do not draw them", 0},
    {0}};
static const struct argp_option calibrate_options[] = {
    {"degree", KEY_DEGREE, "DEGREE", 0, "1, 2 or auto (the default): 2 where an F test asks for it", 0},
    {"out", KEY_OUT, "FILE", 0,
     "The calibration to write; the default is calibration.json beside the readings. One that is there is "
     "kept "
     "under a name with its date",
     0},
    {"dry-run", KEY_DRY_RUN, NULL, 0, "Write no file", 0},
    OPTION_JSON,
    {0}};
static const struct argp_option compare_options[] = {OPTION_JSON,   OPTION_THREADS, OPTION_MARGIN,
                                                     OPTION_ACCEPT, OPTION_MATTERS, {0}};

static const struct argp_option predict_options[] = {
    {"feeder", KEY_FEEDER, "NAME", 0, "The feeder of the series to hold against; the default is every one",
     0},
    {"speeds", KEY_SPEEDS, "MM_S,...", 0,
     "Feed speeds to predict at, in mm/s; the default is those measured, or 1 to 200", 0},
    {"out", KEY_OUT, "DIR", 0, "Folder for the figure: prediction.gp, prediction.csv, prediction.svg", 0},
    OPTION_JSON,
    OPTION_THREADS,
    {"no-figures", KEY_NO_FIGURES, NULL, 0, "Write the figure's script and data but do not draw it", 0},
    {0}};

static const struct argp_option benches_options[] = {
    {"table", KEY_TABLE, "FILE.csv", 0,
     "No series: results in one column, with columns named feeder, bench, operator, refit beside it as far "
     "as "
     "they apply",
     0},
    {"quantity", KEY_QUANTITY, "QUANTITY", 0, "stall_force_n (the default) or slip_onset_n", 0},
    {"speed", KEY_SPEED, "MM_S", 0, "Of the pushes at this speed; the default is every one", 0},
    {"feeder", KEY_FEEDER, "NAME", 0, "Of this feeder; the default is every one", 0},
    OPTION_JSON,
    OPTION_THREADS,
    OPTION_ACCEPT,
    {0}};

static const struct argp_option repeats_options[] = {
    {"difference", KEY_DIFFERENCE, "X", 0,
     "The difference to be found, in the unit of the scatter (pushes: N). With series it may be left out: "
     "then "
     "it is the smallest that matters, by --matters or the plan",
     0},
    {"scatter", KEY_SCATTER, "SD", 0,
     "No series: the standard deviation of one value, in any unit, blocks taken out", 0},
    {"power", KEY_POWER, "PERCENT", 0, "In what share of such series it is to be found; the default is 80",
     0},
    {"level", KEY_LEVEL, "PERCENT", 0,
     "In what share a difference may be claimed where there is none, all pairs together; the default is 5",
     0},
    {"feeders", KEY_FEEDERS, "N", 0,
     "How many feeders are to be compared; the default is as many as were run, or 2", 0},
    {"design", KEY_DESIGN, "blocks|groups", 0,
     "Feeders run in blocks, each once in every block, or as independent groups; the default is as run, or "
     "blocks",
     0},
    {"quantity", KEY_QUANTITY, "QUANTITY", 0, "stall_force_n (the default) or slip_onset_n", 0},
    {"speed", KEY_SPEED, "MM_S", 0, "Of the pushes at this speed; the default is every one", 0},
    OPTION_JSON,
    OPTION_THREADS,
    OPTION_ACCEPT,
    OPTION_MATTERS,
    {0}};

static int system_trouble(const struct err *e)
{
    complain(e);
    return err_exit_status(e->code);
}

struct verify_count {
    size_t findings;
};

static void tell_finding(void *context, const struct err *finding)
{
    ((struct verify_count *)context)->findings++;
    complain(finding);
}

static int run_verify(const struct request *r)
{
    int worst = EXIT_DONE;
    for (size_t i = 0; i < r->series_count; i++) {
        struct verify_count count = {0};
        struct err e = {0};
        char folder[512], hash[72] = "";
        enum err_code code = series_verify(r->series[i], tell_finding, &count, &e);
        int status;
        if (code == ERR_OK)
            code = series_package_hash(r->series[i], hash, &e);
        status = err_exit_status(code);
        if (code != ERR_OK && count.findings == 0)
            complain(&e);
        snprintf(folder, sizeof folder, "%s", r->series[i]);
        err_clean_text(folder);
        if (code == ERR_OK)
            printf("%s: sound, %s\n", folder, hash);
        else if (count.findings > 0)
            printf("%s: not sound, %zu finding%s\n", folder, count.findings, count.findings > 1 ? "s" : "");
        worst = status > worst ? status : worst;
    }
    return worst;
}

static void show_progress(void *context, size_t done, size_t count, const char *name)
{
    (void)context;
    if (done < count)
        fprintf(stderr, "\rfigure %zu of %zu: %-40.40s", done + 1, count, name);
    else
        fprintf(stderr, "\r%60s\r", "");
}

static struct session_options session_options_of(const struct request *r)
{
    struct session_options options = {
        .threads = r->threads, .margin = r->margin, .matter_count = r->matter_count};
    memcpy(options.accept, r->accept, sizeof options.accept);
    memcpy(options.matters, r->matters, sizeof options.matters);
    return options;
}

static enum err_code analyse(const struct request *r, struct session **session, struct err *e)
{
    struct session_options options = session_options_of(r);
    enum err_code code = session_analyse_with(r->series, r->series_count, &options, session, e);
    const char *idle;
    struct err note;
    if (code != ERR_OK)
        return code;
    idle = comparison_idle_matter(*session, false);
    if (idle != NULL)
        return err_set(e, ERR_USAGE, "--matters: no two feeders here are compared in '%.60s'", idle);
    idle = comparison_idle_matter(*session, true);
    if (idle != NULL && (*session)->comparison_count > 0) {
        err_set(&note, ERR_FILE,
                "differences_that_matter of a plan: no two feeders here are compared in '%.60s'", idle);
        complain(&note);
    }
    return ERR_OK;
}

static int run_check(const struct request *r)
{
    struct check_request request = {.published = r->check,
                                    .series = r->series,
                                    .series_count = r->series_count,
                                    .threads = r->threads,
                                    .json = r->json};
    struct err e = {0};
    if (r->out != NULL || r->no_figures || r->chosen)
        return misuse("report: --check takes what the published file names itself, and no option beside "
                      "--json and --threads; see %s",
                      "--help");
    quantity_init_numerics();
    return check_command(&request, stdout, &e) == ERR_OK ? EXIT_DONE : system_trouble(&e);
}

static int run_report(const struct request *r)
{
    struct session *session = NULL;
    struct err e = {0};
    struct report_options options = {.folder = r->out,
                                     .figures = !r->no_figures,
                                     .progress = isatty(STDERR_FILENO) ? show_progress : NULL};
    enum err_code code;
    char folder[4096];
    if (r->check != NULL)
        return run_check(r);
    if (r->out == NULL)
        return misuse("report: %s is missing; see --help", "--out DIR");
    code = report_check_folder(r->out, &e);
    if (code == ERR_OK)
        code = analyse(r, &session, &e);
    if (code == ERR_OK)
        code = report_write(session, &options, &e);
    if (code == ERR_OK && r->json)
        code = report_json_write(session, stdout, &e);
    else if (code == ERR_OK) {
        snprintf(folder, sizeof folder, "%s", r->out);
        printf("%s/report.html\n", err_clean_text(folder));
    }
    session_free(session);
    return code == ERR_OK ? EXIT_DONE : system_trouble(&e);
}

static int run_compare(const struct request *r)
{
    struct session *session = NULL;
    struct err e = {0};
    size_t judged = 0, not_comparable = 0;
    enum err_code code = analyse(r, &session, &e);
    if (code == ERR_OK)
        code = r->json ? report_json_write(session, stdout, &e) : compare_text_write(session, stdout, &e);
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
    return code == ERR_OK ? EXIT_DONE : system_trouble(&e);
}

static int run_calibrate(const struct request *r)
{
    struct calibrate_request request = {.readings = r->series[0],
                                        .degree = r->degree,
                                        .out = r->out,
                                        .json = r->json,
                                        .dry_run = r->dry_run,
                                        .now_unix_s = (int64_t)time(NULL)};
    struct err e = {0};
    if (r->series_count > 1)
        return misuse("'%.200s' is one file too many: readings are calibrated one by one; see --help",
                      r->series[1]);
    quantity_init_numerics();
    return calibrate_command(&request, stdout, &e) == ERR_OK ? EXIT_DONE : system_trouble(&e);
}

static int run_predict(const struct request *r)
{
    struct predict_request request = {.motor = r->series[0],
                                      .series = r->series + 1,
                                      .series_count = r->series_count - 1,
                                      .feeder = r->feeder,
                                      .speeds = r->speeds,
                                      .out = r->out,
                                      .json = r->json,
                                      .no_figures = r->no_figures,
                                      .threads = r->threads};
    struct err e = {0};
    quantity_init_numerics();
    return predict_command(&request, stdout, &e) == ERR_OK ? EXIT_DONE : system_trouble(&e);
}

static int run_repeats(const struct request *r)
{
    struct repeats_request request = {.series = r->series,
                                      .series_count = r->series_count,
                                      .session = session_options_of(r),
                                      .difference = r->difference,
                                      .power = r->power,
                                      .level = r->level,
                                      .feeders = r->feeders,
                                      .design = r->design,
                                      .scatter = r->scatter,
                                      .quantity = r->quantity,
                                      .speed = r->speed,
                                      .json = r->json};
    struct err e = {0};
    quantity_init_numerics();
    return repeats_command(&request, stdout, &e) == ERR_OK ? EXIT_DONE : system_trouble(&e);
}

static int run_benches(const struct request *r)
{
    struct benches_request request = {.series = r->series,
                                      .series_count = r->series_count,
                                      .session = session_options_of(r),
                                      .table = r->table,
                                      .quantity = r->quantity,
                                      .speed = r->speed,
                                      .feeder = r->feeder,
                                      .json = r->json};
    struct err e = {0};
    quantity_init_numerics();
    return benches_command(&request, stdout, &e) == ERR_OK ? EXIT_DONE : system_trouble(&e);
}

/* Commands, in the order in which --help lists them. */
static const struct command {
    const char *name;
    const struct argp_option *options;
    const char *arguments, *text;
    int (*run)(const struct request *r);
} COMMANDS[] = {
    {"calibrate", calibrate_options, "READINGS.csv",
     "Fit the readings of hung weights, or the measured lengths of a feed, and write calibration.json. A "
     "file of "
     "the same name that ends in .json tells how they were taken, when there is one." EXIT_STATUSES,
     run_calibrate},
    {"verify", NULL, "SERIES...",
     "Check series folders byte by byte against their own hashes, and print the hash of each sound package, "
     "one number to quote. Findings go to standard error." EXIT_STATUSES,
     run_verify},
    {"report", report_options_table, "SERIES... --out DIR\nSERIES... --check RESULTS.json",
     "Analyse series and write report.html, results.json, results.csv and figures/ into DIR." EXIT_STATUSES,
     run_report},
    {"compare", compare_options, "SERIES...",
     "Say which feeder pushes harder, how they differ in the other tests, and how sure that is. Status 1 "
     "means that some pair is not comparable, "
     "or that there is "
     "none." EXIT_STATUSES,
     run_compare},
    {"predict", predict_options, "MOTOR.yaml [SERIES...]",
     "Work out from a motor's data sheet what the push force should be at each speed, and hold it against "
     "what series measured. Status 1 means that they differ somewhere by more than the joint 95 % interval: "
     "likely causes are then listed, each with the measurement that would tell." EXIT_STATUSES,
     run_predict},
    {"repeats", repeats_options, "[SERIES...]",
     "Say how many repeats it takes to find a difference, by the scatter of a pilot series or by one that is "
     "stated, and what the series as it is could have seen." EXIT_STATUSES,
     run_repeats},
    {"benches", benches_options, "[SERIES...]",
     "Say how well results repeat on one bench and reproduce on another, for series of one feeder from "
     "several benches (ISO 5725-2, with its consistency checks); or, for series from one bench, what "
     "feeders, "
     "operators, refits and repeats bring to the scatter, and which share of it is the rig's own. Status 1 "
     "means that a bench is an outlier, or that some feeder or speed has no answer." EXIT_STATUSES,
     run_benches},
};
#define COMMAND_COUNT (sizeof COMMANDS / sizeof COMMANDS[0])

static int run_command(const struct command *command, int argc, char **argv)
{
    struct argp argp = {command->options, take_option, command->arguments, command->text, NULL, NULL, NULL};
    struct request r = {.margin = SESSION_MARGIN};
    char name[64], missing[64];
    int status;
    snprintf(name, sizeof name, PROGRAM " %s", command->name);
    argv[0] = name;
    r.series = calloc((size_t)argc, sizeof *r.series);
    if (r.series == NULL) {
        struct err e;
        err_set(&e, ERR_MEMORY, "out of memory");
        return system_trouble(&e);
    }
    argp_parse(&argp, argc, argv, 0, NULL, &r);
    if (r.series_count == 0 && command->arguments[0] != '[') {
        snprintf(missing, sizeof missing, "%s: %.*s is missing", command->name,
                 (int)strcspn(command->arguments, ". "), command->arguments);
        status = misuse("%s; see --help", missing);
    } else {
        status = command->run(&r);
    }
    free(r.series);
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
    if (fclose(stdout) == 0)
        return status;
    struct err e;
    err_set(&e, ERR_SYSTEM, "standard output could not be written");
    return system_trouble(&e);
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
    argp_err_exit_status = EXIT_WRONG_USE;
    argp_parse(&argp, argc, argv, ARGP_IN_ORDER, NULL, &outer);
    if (outer.command == 0)
        return misuse("%s; see --help", "a command is missing");
    for (size_t i = 0; i < COMMAND_COUNT; i++) {
        if (strcmp(argv[outer.command], COMMANDS[i].name) == 0)
            return flush_output(run_command(&COMMANDS[i], argc - outer.command, argv + outer.command));
    }
    return misuse("'%.200s' is not a command; see --help", argv[outer.command]);
}
