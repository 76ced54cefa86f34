/* The command `plan': `plan new' writes a plan to start from, `plan check' tells what a plan will do. */
#include "capture/commands.h"
#include "capture/plan_check.h"
#include "capture/plan_new.h"
#include "rig/base/number.h"

#include <argp.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/random.h>
#include <time.h>

enum { KEY_TEST = 1000, KEY_SEED, KEY_SCATTER, KEY_DENSITY, KEY_MOUNT, KEY_CHANGE, KEY_ORDER };

/* What both words are told. */
struct arguments {
    const char *out; /* of `new' */
    bool has_seed;
    struct plan_new new;
    bool json, order; /* of `check' */
    struct plan_check_request check;
};

/* A number of an option; ends the program when it is none. */
static void take_number(const char *text, double low, double high, const char *option, const char *unit,
                        double *value, struct argp_state *state)
{
    struct err e;
    if (number_read_double(text, low, high, option, unit, value, &e) != ERR_OK)
        argp_error(state, "%s", err_clean_text(e.text));
}

static error_t parse_new(int key, char *argument, struct argp_state *state)
{
    struct arguments *a = state->input;
    struct err e;
    int64_t seed;
    switch (key) {
    case COMMANDS_KEY_OUT:
        if (argument[0] == 0)
            argp_error(state, "--out: the name is empty");
        a->out = argument;
        return 0;
    case KEY_TEST:
        if (plan_new_read_tests(argument, &a->new, &e) != ERR_OK)
            argp_error(state, "%s", err_clean_text(e.text));
        return 0;
    case KEY_SEED:
        if (number_read_int64(argument, 0, INT64_MAX, "--seed", "", &seed, &e) != ERR_OK)
            argp_error(state, "%s", err_clean_text(e.text));
        else
            a->new.seed = (uint64_t)seed;
        a->has_seed = true;
        return 0;
    case ARGP_KEY_ARG:
        argp_error(state, "unexpected argument '%s'", argument);
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

static error_t parse_check(int key, char *argument, struct argp_state *state)
{
    struct arguments *a = state->input;
    switch (key) {
    case COMMANDS_KEY_JSON:
        a->json = true;
        return 0;
    case KEY_ORDER:
        a->order = true;
        return 0;
    case KEY_SCATTER:
        take_number(argument, 1e-6, 1e4, "--scatter", "N", &a->check.scatter_n, state);
        return 0;
    case KEY_DENSITY:
        take_number(argument, 0.1, 25, "--density", "g/cm3", &a->check.density_g_cm3, state);
        return 0;
    case KEY_MOUNT:
        take_number(argument, 0, 1440, "--mount-minutes", "min", &a->check.mount_minutes, state);
        return 0;
    case KEY_CHANGE:
        take_number(argument, 0, 1440, "--change-minutes", "min", &a->check.change_minutes, state);
        return 0;
    case ARGP_KEY_ARG:
        if (a->check.path != NULL)
            argp_error(state, "unexpected argument '%s'", argument);
        a->check.path = argument;
        return 0;
    case ARGP_KEY_END:
        if (a->check.path == NULL || a->check.path[0] == 0)
            argp_error(state, "PLAN is missing");
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

/* A seed of nobody's choosing, short enough to be read out. */
static uint64_t draw_seed(void)
{
    uint32_t drawn;
    if (getrandom(&drawn, sizeof drawn, 0) != sizeof drawn)
        drawn = (uint32_t)time(NULL);
    return drawn % 1000000000u;
}

static int carry_out_new(struct arguments *a)
{
    struct err e;
    if (!a->has_seed)
        a->new.seed = draw_seed();
    if (strcmp(a->out, "-") == 0) {
        plan_new_write(&a->new, stdout);
        return commands_finish_output();
    }
    if (plan_new_write_file(&a->new, a->out, &e) != ERR_OK)
        return commands_report(&e);
    printf("%s: written. Edit the lines marked " PLAN_EXAMPLE_WORD ", then: " COMMANDS_PROGRAM
           " plan check %s\n",
           a->out, a->out);
    return commands_finish_output();
}

static int carry_out_check(struct arguments *a)
{
    struct plan_check *check;
    struct err e, judged;
    enum err_code code, verdict = ERR_OK;
    int status;
    a->check.now_s = (int64_t)time(NULL);
    code = plan_check_work_out(&a->check, &check, &e);
    if (code != ERR_OK)
        return commands_report(&e);
    if (a->json)
        code = plan_check_write_json(check, a->order, stdout, &e);
    else
        plan_check_write_text(check, a->order, stdout);
    verdict = plan_check_judge(check, &judged);
    plan_check_free(check);
    if (code != ERR_OK)
        return commands_report(&e);
    status = commands_finish_output();
    return status != EXIT_DONE || verdict == ERR_OK ? status : commands_report(&judged);
}

static int run_new(int argc, char **argv)
{
    static const struct argp_option OPTIONS[] = {
        {"out", COMMANDS_KEY_OUT, "PLAN.yaml", 0,
         "New file for the plan; the default is plan.yaml; one that is there is refused. -: standard output",
         0},
        {"test", KEY_TEST, "LIST", 0,
         "Tests to begin with, commas between them: blocked-push (the default), speed-sweep, free-run, "
         "loaded-feed, "
         "preload-sweep, reversal, melt-push, endurance; or all",
         0},
        {"seed", KEY_SEED, "N", 0, "Seed of the random order; the default is drawn", 0},
        {0}};
    static const struct argp ARGP = {
        OPTIONS,
        parse_new,
        "",
        "Write a plan to start from: every key that matters, with its unit and what it is for.\v"
        "Its values are invented. Lines marked " PLAN_EXAMPLE_WORD
        " must be edited, and that word deleted; until then `run' refuses the plan.\n\n" EXIT_STATUS_HELP,
        NULL,
        NULL,
        NULL};
    static char name[] = COMMANDS_PROGRAM " plan new";
    struct arguments a = {.out = "plan.yaml", .new = {.tests = {[PLAN_BLOCKED_PUSH] = true}}};
    argv[0] = name;
    argp_parse(&ARGP, argc, argv, 0, NULL, &a);
    return carry_out_new(&a);
}

static int run_check(int argc, char **argv)
{
    static const struct argp_option OPTIONS[] = {
        COMMANDS_JSON_OPTION,
        {"order", KEY_ORDER, NULL, 0, "List each run in its order", 0},
        {"scatter", KEY_SCATTER, "N", 0,
         "Scatter of one value in newtons, as `nipbench-analyze repeats' found it in a pilot: the difference "
         "that "
         "is seen is then given in newtons, too",
         0},
        {"density", KEY_DENSITY, "G_CM3", 0, "Density of the filament in g/cm3: its mass is then given, too",
         0},
        {"mount-minutes", KEY_MOUNT, "MIN", 0, "Minutes to mount a feeder; the default is 3, an assumption",
         0},
        {"change-minutes", KEY_CHANGE, "MIN", 0,
         "Minutes for any other change; the default is 1, an assumption", 0},
        {0}};
    static const struct argp ARGP = {
        OPTIONS,
        parse_check,
        "PLAN.yaml",
        "Tell what the series of a plan will do: runs and their order, what the "
        "operator mounts and sets, how long it "
        "takes, filament, disk, limits, and which difference it can see.\v"
        "No rig is asked, and nothing moves. Status 1 means that the plan cannot "
        "answer what it asks, or is still the example.\n\n" EXIT_STATUS_HELP,
        NULL,
        NULL,
        NULL};
    static char name[] = COMMANDS_PROGRAM " plan check";
    struct arguments a = {.check = {.scatter_n = NAN,
                                    .density_g_cm3 = NAN,
                                    .mount_minutes = PLAN_CHECK_MOUNT_MINUTES,
                                    .change_minutes = PLAN_CHECK_CHANGE_MINUTES}};
    argv[0] = name;
    argp_parse(&ARGP, argc, argv, 0, NULL, &a);
    return carry_out_check(&a);
}

struct chosen {
    int (*run)(int argc, char **argv);
    int index;
};

static error_t parse_word(int key, char *argument, struct argp_state *state)
{
    struct chosen *chosen = state->input;
    switch (key) {
    case ARGP_KEY_ARG:
        if (strcmp(argument, "new") == 0)
            chosen->run = run_new;
        else if (strcmp(argument, "check") == 0)
            chosen->run = run_check;
        else
            argp_error(state, "'%s' is neither new nor check", argument);
        chosen->index = state->next - 1;
        state->next = state->argc; /* the rest belongs to the word */
        return 0;
    case ARGP_KEY_NO_ARGS:
        argp_error(state, "new or check is missing");
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

int command_plan(int argc, char **argv)
{
    static const struct argp ARGP = {NULL,
                                     parse_word,
                                     "new [OPTION...]\ncheck PLAN.yaml [OPTION...]",
                                     "Write a plan to start from, or tell what a plan will do.\v"
                                     "`" COMMANDS_PROGRAM " plan new --help' and `" COMMANDS_PROGRAM
                                     " plan check --help' tell about each.\n\n" EXIT_STATUS_HELP,
                                     NULL,
                                     NULL,
                                     NULL};
    static char name[] = COMMANDS_PROGRAM " plan";
    struct chosen chosen = {0};
    argv[0] = name;
    argp_parse(&ARGP, argc, argv, ARGP_IN_ORDER, NULL, &chosen);
    return chosen.run(argc - chosen.index, argv + chosen.index);
}
