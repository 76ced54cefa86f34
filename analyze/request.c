#include "analyze/request.h"

#include "rig/base/number.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define THREADS_MAX 64
#define SERIES_MAX  1000
/* Six times the load: past that no feeder is asked for anything. */
#define MARGIN_PERCENT_MAX 500

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
    KEY_TABLE,
    KEY_FORMAT,
    KEY_CALIBRATION,
    KEY_MOTOR
};

void request_complain(const struct err *e)
{
    char line[2048];
    fprintf(stderr, PROGRAM ": %s\n", err_format(e, line, sizeof line));
}

int request_misuse(const char *format, const char *word)
{
    struct err e;
    err_set(&e, ERR_USAGE, format, word);
    request_complain(&e);
    return EXIT_WRONG_USE;
}

/* Conditions that may differ, with commas between them. */
static void take_accept(const char *argument, struct request *r)
{
    char word[64];
    for (const char *p = argument;; p++) {
        size_t length = strcspn(p, ","), id;
        snprintf(word, sizeof word, "%.*s", (int)(length < 60 ? length : 60), p);
        id = conditions_find(word);
        if (id == CONDITION_COUNT)
            exit(request_misuse(
                "--accept: '%.60s' is no condition; they are listed in datasets/README.md, such as "
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
        exit(request_misuse(
            "--matters: '%.100s' is not of the form QUANTITY=DIFFERENCE, as in stall_force_n=2", argument));
    if (r->matter_count == PLAN_MATTERS_MAX)
        exit(request_misuse("--matters: '%.100s' is one too many", argument));
    snprintf(m->quantity, sizeof m->quantity, "%.*s", (int)length, argument);
    if (number_read_double(argument + length + 1, 1e-12, 1e12, "--matters", "", &m->difference, &e) !=
        ERR_OK) {
        request_complain(&e);
        exit(EXIT_WRONG_USE);
    }
    r->matter_count++;
}

/* MOTOR.yaml of all feeders, or FEEDER=MOTOR.yaml of one. What stands before the first = is a feeder where it
 * can be one's name (a plan's, or with " (series 2)" behind it); ./a=b.yaml is a file all the same. */
static void take_motor(const char *argument, struct request *r)
{
    struct session_motor *m = &r->motors[r->motor_count];
    size_t length = strcspn(argument, "=");
    bool named = argument[length] == '=' && length > 0 &&
                 strspn(argument, "abcdefghijklmnopqrstuvwxyz0123456789- ()") == length;
    const char *file = named ? argument + length + 1 : argument;
    if (r->motor_count == SESSION_MOTORS_MAX)
        exit(request_misuse("--motor: '%.100s' is one too many", argument));
    if (file[0] == 0)
        exit(request_misuse("--motor: '%.100s' is neither MOTOR.yaml nor FEEDER=MOTOR.yaml", argument));
    if (named && length >= sizeof m->feeder)
        exit(request_misuse("--motor: '%.100s' names no feeder: that is too long", argument));
    if (named)
        snprintf(m->feeder, sizeof m->feeder, "%.*s", (int)length, argument);
    m->file = file;
    r->motor_count++;
    r->chosen = true;
}

/* html, md, or both with a comma between them. */
static void take_format(const char *argument, struct request *r)
{
    const char *p = argument;
    r->html = r->md = false;
    for (;; p++) {
        size_t length = strcspn(p, ",");
        if (length == 4 && strncmp(p, "html", length) == 0)
            r->html = true;
        else if (length == 2 && strncmp(p, "md", length) == 0)
            r->md = true;
        else
            exit(request_misuse("--format: '%.60s' is not html, md, or html,md", argument));
        p += length;
        if (*p == 0)
            return;
    }
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

error_t request_option(int key, char *argument, struct argp_state *state)
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
            request_complain(&e);
            exit(EXIT_WRONG_USE);
        }
        r->threads = (int)threads;
        return 0;
    case KEY_MARGIN:
        r->chosen = true;
        if (number_read_double(argument, 0, MARGIN_PERCENT_MAX, "--margin", "%", &percent, &e) != ERR_OK) {
            request_complain(&e);
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
    case KEY_MOTOR:
        take_motor(argument, r);
        return 0;
    case KEY_FORMAT:
        take_format(argument, r);
        return 0;
    case KEY_CALIBRATION:
        r->calibrations[r->calibration_count++] = argument;
        return 0;
    case ARGP_KEY_ARG:
        if (r->series_count == SERIES_MAX)
            exit(request_misuse("'%.200s' is one series too many; see --help", argument));
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

#define OPTION_CALIBRATION                                                                                   \
    {                                                                                                        \
        "calibration", KEY_CALIBRATION, "CALIBRATION.json", 0,                                               \
            "Work the series out with this calibration in the place of the one inside, which stays as it "   \
            "is; SERIES=CALIBRATION.json is for that series alone, and may be given for several. An "        \
            "encoder or a feed that it does not state stays the series' own",                                \
            0                                                                                                \
    }

const struct argp_option REQUEST_REPORT[] = {
    {"check", KEY_CHECK, "RESULTS.json", 0,
     "Write no report: work a published results.json out again from the series, with the options that it "
     "names, and tell each number that differs by more than rounding. Status 1 means that one does",
     0},
    {"out", KEY_OUT, "DIR", 0, "Folder for the report; a new or empty one, or that of an earlier report", 0},
    {"format", KEY_FORMAT, "html|md|html,md", 0,
     "The page to write: report.html, which holds its figures, is the default; report.md is for a page of a "
     "repository (GitHub Flavored Markdown) and shows the figures beside it",
     0},
    OPTION_JSON,
    OPTION_THREADS,
    OPTION_MARGIN,
    OPTION_ACCEPT,
    OPTION_MATTERS,
    OPTION_CALIBRATION,
    {"motor", KEY_MOTOR, "MOTOR.yaml", 0,
     "Hold what was measured against the push force that a motor's data sheet predicts, as predict does: the "
     "motor of every feeder, or, as FEEDER=MOTOR.yaml, of that one; may be given several times",
     0},
    {"no-figures", KEY_NO_FIGURES, NULL, 0, "Write the figures' scripts and data but do not draw them", 0},
    {0}};
const struct argp_option REQUEST_CALIBRATE[] = {
    {"degree", KEY_DEGREE, "1|2|auto", 0,
     "Degree of the polynomial; the default is auto: 2 where an F test asks for it, else 1", 0},
    {"out", KEY_OUT, "CALIBRATION.json", 0,
     "The calibration to write; the default is calibration.json beside the readings. One that is there is "
     "kept "
     "under a name with its date",
     0},
    {"dry-run", KEY_DRY_RUN, NULL, 0, "Write no file", 0},
    OPTION_JSON,
    {0}};
const struct argp_option REQUEST_VERIFY[] = {OPTION_JSON, {0}};
const struct argp_option REQUEST_COMPARE[] = {
    OPTION_JSON, OPTION_THREADS, OPTION_MARGIN, OPTION_ACCEPT, OPTION_MATTERS, OPTION_CALIBRATION, {0}};

const struct argp_option REQUEST_PREDICT[] = {
    {"feeder", KEY_FEEDER, "NAME", 0,
     "The feeder of the series to hold against, as its plan calls it; the default is every one", 0},
    {"speeds", KEY_SPEEDS, "MM_S,...", 0,
     "Feed speeds to predict at, in mm/s; the default is those measured, or 1 to 200", 0},
    {"out", KEY_OUT, "DIR", 0, "Folder for the figure: prediction.gp, prediction.csv, prediction.svg", 0},
    OPTION_CALIBRATION,
    OPTION_JSON,
    OPTION_THREADS,
    {"no-figures", KEY_NO_FIGURES, NULL, 0, "Write the figure's script and data but do not draw it", 0},
    {0}};

const struct argp_option REQUEST_BENCHES[] = {
    {"table", KEY_TABLE, "TABLE.csv", 0,
     "No series: results in one column, with columns named feeder, bench, operator, refit beside it as far "
     "as "
     "they apply",
     0},
    {"quantity", KEY_QUANTITY, "stall_force_n|slip_onset_n", 0,
     "Which quantity; the default is stall_force_n", 0},
    {"speed", KEY_SPEED, "MM_S", 0, "Of the pushes at this speed, in mm/s; the default is every one", 0},
    {"feeder", KEY_FEEDER, "NAME", 0, "Of this feeder, as the plans call it; the default is every one", 0},
    OPTION_CALIBRATION,
    OPTION_JSON,
    OPTION_THREADS,
    OPTION_ACCEPT,
    {0}};

const struct argp_option REQUEST_REPEATS[] = {
    {"difference", KEY_DIFFERENCE, "X", 0,
     "The difference to be found, in the unit of the scatter (pushes: N). With series it may be left out: "
     "then "
     "it is the smallest that matters, by --matters or the plan",
     0},
    {"scatter", KEY_SCATTER, "SD", 0,
     "No series: the standard deviation of one value, in any unit, blocks taken out", 0},
    {"power", KEY_POWER, "PERCENT", 0,
     "In what share of such series it is to be found, in %; the default is 80", 0},
    {"level", KEY_LEVEL, "PERCENT", 0,
     "In what share a difference may be claimed where there is none, all pairs together, in %; the default "
     "is 5",
     0},
    {"feeders", KEY_FEEDERS, "N", 0,
     "How many feeders are to be compared; the default is as many as were run, or 2", 0},
    {"design", KEY_DESIGN, "blocks|groups", 0,
     "Feeders run in blocks, each once in every block, or as independent groups; the default is as run, or "
     "blocks",
     0},
    {"quantity", KEY_QUANTITY, "stall_force_n|slip_onset_n", 0,
     "Which quantity; the default is stall_force_n", 0},
    {"speed", KEY_SPEED, "MM_S", 0, "Of the pushes at this speed, in mm/s; the default is every one", 0},
    OPTION_JSON,
    OPTION_THREADS,
    OPTION_ACCEPT,
    OPTION_MATTERS,
    OPTION_CALIBRATION,
    {0}};
