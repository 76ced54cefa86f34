/* The command `run': carry out a plan and write a series of runs. */
#include "capture/commands.h"
#include "capture/operator.h"
#include "capture/series_capture.h"

#include <argp.h>
#include <stdio.h>

static error_t parse_run(int key, char *argument, struct argp_state *state)
{
    struct commands_arguments *a = state->input;
    switch (key) {
    case 'y':
        a->yes = true;
        return 0;
    case COMMANDS_KEY_RESUME:
        a->resume = true;
        return 0;
    case ARGP_KEY_ARG:
        if (a->plan != NULL)
            return commands_parse_common(key, argument, state);
        a->plan = argument;
        return 0;
    case ARGP_KEY_END:
        if (a->plan == NULL && !a->resume)
            argp_error(state, "PLAN is missing");
        else
            commands_has_port_and_out(a, state);
        return 0;
    default:
        return commands_parse_common(key, argument, state);
    }
}

static void tell(void *context, const char *text)
{
    (void)context;
    fprintf(stderr, COMMANDS_PROGRAM ": %s\n", text);
}

int command_run(int argc, char **argv)
{
    static const struct argp_option OPTIONS[] = {
        COMMANDS_PORT_OPTION,
        {"out", COMMANDS_KEY_OUT, "DIR", 0,
         "New folder for the series; one that holds anything is refused, unless it is what a capture of "
         "this plan left that was killed while it made the folder",
         0},
        {"resume", COMMANDS_KEY_RESUME, NULL, 0,
         "Go on with the series in DIR after it was broken off, with its own plan: repeat the run that was "
         "not "
         "finished, then carry out the rest",
         0},
        {"yes", 'y', NULL, 0,
         "Unattended: ask nothing. You have read the cautions, and the bench is changed without being asked "
         "for",
         0},
        COMMANDS_BAUD_OPTION,
        COMMANDS_LIBRARY_OPTION,
        {0}};
    static const struct argp ARGP = {
        OPTIONS,
        parse_run,
        "PLAN.yaml --port PORT --out DIR\n--resume --port PORT --out DIR",
        "Carry out the plan in the file PLAN.yaml and write a series into DIR, or go on with the series in "
        "DIR.\v"
        "It says on standard error what must be changed on the bench between runs, "
        "and waits for Enter: at a terminal, or from a program that reads these "
        "lines and answers each with an empty line on a pipe. It asks for the conditions that the plan names "
        "under "
        "`ask', says in one line how each run went, and offers to repeat one that looks wrong. "
        "Ctrl-C once ramps the feed down, closes the run as interrupted and "
        "keeps all runs so far; twice cuts the motor "
        "at once. SIGTERM, SIGHUP and a terminal that is lost do the same as once. --resume goes on from "
        "there, "
        "and from any other end: what was recorded is kept, a run that was broken off keeps its rows and is "
        "repeated under a new number. Limits in the plan are a help and not a safety function: have "
        "an emergency stop that cuts motor power "
        "in hardware.\n\n" COMMANDS_EXIT_STATUSES,
        NULL,
        NULL,
        NULL};
    struct commands_arguments a;
    struct series_request request;
    struct series_capture *capture;
    struct series_outcome outcome;
    struct operator_view view;
    char repeated[40] = "";
    char wrong[40] = "";
    char how[160];
    struct err e;
    enum err_code code;
    commands_parse(&ARGP, argc, argv, "run", &a);
    if (!commands_can_ask(a.yes, "mount feeders", "--yes to run unattended", &e))
        return commands_report(&e);
    request = (struct series_request){.plan_path = a.plan,
                                      .port = a.port,
                                      .folder = a.folder,
                                      .baud = a.baud,
                                      .way = a.way,
                                      .resume = a.resume,
                                      .tell = tell};
    if (series_capture_prepare(&request, &capture, &e) != ERR_OK)
        return commands_report(&e);
    operator_init(&view, a.yes, commands_catch_stop_requests());
    code = series_capture_carry_out(capture, &view, &outcome, &e);
    operator_end(&view);
    series_capture_free(capture);
    if (code != ERR_OK && outcome.begun && outcome.complete + outcome.limited < outcome.planned)
        operator_say(&view, "to go on: " COMMANDS_PROGRAM " run --resume --port %s --out %s", a.port,
                     a.folder);
    if (outcome.repeated > 0)
        snprintf(repeated, sizeof repeated, "; %d of them repeated others", outcome.repeated);
    if (outcome.wrong > 0)
        snprintf(wrong, sizeof wrong, "; %d looked wrong", outcome.wrong);
    snprintf(how, sizeof how, ": %d complete, %d at a limit, %d interrupted, %d faults%s%s", outcome.complete,
             outcome.limited, outcome.interrupted, outcome.faulted, repeated, wrong);
    return commands_finish_recording(a.folder, (size_t)outcome.recorded, (size_t)outcome.planned,
                                     a.resume ? "remaining runs" : "runs", how, code, &e);
}
