/* nipbench-capture: talks to a rig and writes data sets. Here: the command line, signals and messages. */
#include "capture/link.h"
#include "capture/measure_feed.h"
#include "capture/measure_feed_options.h"
#include "capture/operator.h"
#include "capture/rig_client.h"
#include "capture/series_capture.h"
#include "capture/weigh.h"
#include "capture/weigh_options.h"
#include "rig/base/err.h"
#include "rig/base/number.h"

#include <argp.h>
#include <inttypes.h>
#include <jansson.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PROGRAM "nipbench-capture"
#define EXIT_STATUSES                                                                                        \
    "Exit status: 0 done; 1 ran, but was stopped or a run ended as a fault; 2 wrong use; 3 bad input file; " \
    "4 port or rig; 5 system (disk full, no memory)."

const char *argp_program_version = PROGRAM " " NIPBENCH_VERSION;

static volatile sig_atomic_t stop_requests;

/* Ctrl-C asks once, and once more for a cut. Ctrl-\ asks for the cut at once. Whoever ends us from outside or
 * takes the terminal away asks once, however often it is said. */
static void count_stop_request(int signal_number)
{
    if (signal_number == SIGINT && stop_requests < 100)
        stop_requests++;
    else if (signal_number == SIGQUIT)
        stop_requests = 2;
    else if (stop_requests == 0)
        stop_requests = 1;
}

/* Once the rig may be armed, a signal is a request to stop, not an end. */
static void catch_stop_requests(void)
{
    static const int SIGNALS[] = {SIGINT, SIGQUIT, SIGTERM, SIGHUP};
    struct sigaction action = {.sa_handler = count_stop_request};
    sigfillset(&action.sa_mask); /* they share one count */
    for (size_t i = 0; i < sizeof SIGNALS / sizeof SIGNALS[0]; i++)
        sigaction(SIGNALS[i], &action, NULL);
}

static int report(const struct err *e)
{
    char text[2048];
    fprintf(stderr, PROGRAM ": %s\n", err_format(e, text, sizeof text));
    return err_exit_status(e->code);
}

static int finish_output(void)
{
    struct err e;
    if (fflush(stdout) == 0 && !ferror(stdout))
        return EXIT_DONE;
    err_set(&e, ERR_SYSTEM, "cannot write to standard output");
    return report(&e);
}

static int print_json(json_t *value)
{
    struct err e;
    int failed = value == NULL || json_dumpf(value, stdout, JSON_INDENT(2) | JSON_SORT_KEYS) != 0;
    json_decref(value);
    if (failed) {
        err_set(&e, ERR_SYSTEM, "cannot write JSON to standard output");
        return report(&e);
    }
    putchar('\n');
    return finish_output();
}

/* What all commands can be told. */
struct arguments {
    bool json;
    bool yes;
    bool resume;
    enum link_way way;
    int baud;
    const char *port;
    const char *plan;
    const char *folder;
    const char *feeder; /* of weigh */
    struct weigh_order_words weigh_words;
    struct weigh_order weigh_order;
    struct measure_feed_words feed_words;
    struct measure_feed_order feed_order;
};

enum {
    OPTION_JSON = 256,
    OPTION_PORT,
    OPTION_OUT,
    OPTION_BAUD,
    OPTION_LIBRARY,
    OPTION_FEEDER,
    OPTION_RESUME
};

#define JSON_OPTION                                                                                          \
    {                                                                                                        \
        "json", OPTION_JSON, NULL, 0, "Write the result as JSON", 0                                          \
    }
#define BAUD_OPTION                                                                                          \
    {                                                                                                        \
        "baud", OPTION_BAUD, "N", 0, "Bits per second on the line (default 500000)", 0                       \
    }
#define PORT_OPTION                                                                                          \
    {                                                                                                        \
        "port", OPTION_PORT, "PORT", 0, "Where the rig is: a serial port, or what nipbench-rig printed", 0   \
    }
#define LIBRARY_OPTION                                                                                       \
    {                                                                                                        \
        "serial-library", OPTION_LIBRARY, NULL, 0, "For tests: open a pseudo-terminal like a real port", 0   \
    }

static error_t parse_common(int key, char *argument, struct argp_state *state)
{
    struct arguments *a = state->input;
    struct err e;
    int64_t number;
    switch (key) {
    case OPTION_JSON:
        a->json = true;
        return 0;
    case OPTION_PORT:
        a->port = argument;
        return 0;
    case OPTION_OUT:
        a->folder = argument;
        return 0;
    case OPTION_LIBRARY:
        a->way = LINK_BY_LIBRARY;
        return 0;
    case OPTION_BAUD:
        if (number_read_int64(argument, LINK_BAUD_MIN, LINK_BAUD_MAX, "--baud", "", &number, &e) != ERR_OK)
            argp_error(state, "%s", e.text);
        else
            a->baud = (int)number;
        return 0;
    case ARGP_KEY_ARG:
        argp_error(state, "unexpected argument '%s'", argument);
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

static void parse(const struct argp *argp, int argc, char **argv, const char *name, struct arguments *a)
{
    static char full_name[64];
    snprintf(full_name, sizeof full_name, PROGRAM " %s", name);
    argv[0] = full_name;
    *a = (struct arguments){.baud = LINK_BAUD_DEFAULT, .way = LINK_BY_PATH};
    argp_parse(argp, argc, argv, 0, NULL, a);
}

/* ports */

static int print_ports_json(const struct link_port *ports, size_t count)
{
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++) {
        json_t *port = json_object();
        json_object_set_new(port, "port", json_string(ports[i].name));
        json_object_set_new(port, "description", json_string(ports[i].description));
        json_object_set_new(port, "serial", json_string(ports[i].serial));
        json_object_set_new(port, "usb_vendor",
                            ports[i].usb_vendor < 0 ? json_null() : json_integer(ports[i].usb_vendor));
        json_object_set_new(port, "usb_product",
                            ports[i].usb_product < 0 ? json_null() : json_integer(ports[i].usb_product));
        json_array_append_new(list, port);
    }
    return print_json(list);
}

static int run_ports(int argc, char **argv)
{
    static const struct argp_option OPTIONS[] = {JSON_OPTION, {0}};
    static const struct argp ARGP = {
        OPTIONS,
        parse_common,
        NULL,
        "List the serial ports of this machine. A simulated rig prints its own path and is "
        "not listed.\v" EXIT_STATUSES,
        NULL,
        NULL,
        NULL};
    struct arguments a;
    struct link_port *ports;
    struct err e;
    size_t count;
    int status;
    parse(&ARGP, argc, argv, "ports", &a);
    if (link_list_ports(&ports, &count, &e) != ERR_OK)
        return report(&e);
    if (a.json) {
        status = print_ports_json(ports, count);
        free(ports);
        return status;
    }
    if (count == 0)
        fprintf(stderr, PROGRAM ": no serial port found\n");
    for (size_t i = 0; i < count; i++) {
        printf("%s", ports[i].name);
        if (ports[i].usb_vendor >= 0)
            printf("  USB %04x:%04x", (unsigned)ports[i].usb_vendor, (unsigned)ports[i].usb_product);
        if (ports[i].description[0] != 0)
            printf("  %s", err_clean_text(ports[i].description));
        if (ports[i].serial[0] != 0)
            printf("  serial %s", err_clean_text(ports[i].serial));
        putchar('\n');
    }
    free(ports);
    return finish_output();
}

/* identify */

static int print_identity_json(const char *port, const struct wire_identity *i)
{
    json_t *o = json_object();
    json_object_set_new(o, "port", json_string(port));
    json_object_set_new(o, "serial", json_string(i->serial));
    json_object_set_new(o, "firmware", json_string(i->firmware));
    json_object_set_new(o, "protocol", json_sprintf("%d.%d", i->protocol_major, i->protocol_minor));
    json_object_set_new(o, "boot", json_integer(i->boot));
    json_object_set_new(o, "time_scale", json_real(i->time_scale_milli / 1000.0));
    json_object_set_new(o, "sample_rate_max_hz", json_real(i->sample_rate_max_millihertz / 1000.0));
    json_object_set_new(o, "counts_min", json_integer(i->counts_min));
    json_object_set_new(o, "counts_max", json_integer(i->counts_max));
    json_object_set_new(o, "encoder", json_boolean((i->channels & WIRE_CHANNEL_ENCODER) != 0));
    json_object_set_new(o, "encoder_nm_per_count", json_integer(i->encoder_nm_per_count));
    json_object_set_new(o, "full_steps_per_rev", json_integer(i->full_steps_per_rev));
    json_object_set_new(o, "microsteps", json_integer(i->microsteps));
    return print_json(o);
}

static int print_identity(const char *port, struct wire_identity *i)
{
    printf("port         %s\n", port);
    printf("rig          %s\n", err_clean_text(i->serial));
    printf("firmware     %s\n", err_clean_text(i->firmware));
    printf("protocol     %d.%d\n", i->protocol_major, i->protocol_minor);
    printf("boot         %" PRIu32 "\n", i->boot);
    if (i->time_scale_milli != 1000)
        printf("clock        simulated, %g rig seconds a second\n", i->time_scale_milli / 1000.0);
    printf("sample rate  up to %g Hz\n", i->sample_rate_max_millihertz / 1000.0);
    printf("converter    %" PRId32 " to %" PRId32 " counts\n", i->counts_min, i->counts_max);
    if ((i->channels & WIRE_CHANNEL_ENCODER) != 0)
        printf("encoder      %g um a count\n", i->encoder_nm_per_count / 1000.0);
    else
        printf("encoder      none\n");
    if (i->full_steps_per_rev != 0)
        printf("motor        %d full steps a turn, %d microsteps each\n", i->full_steps_per_rev,
               i->microsteps);
    else
        printf("driver       %d microsteps a full step\n", i->microsteps);
    return finish_output();
}

static error_t parse_identify(int key, char *argument, struct argp_state *state)
{
    struct arguments *a = state->input;
    if (key == ARGP_KEY_ARG && a->port == NULL) {
        a->port = argument;
        return 0;
    }
    if (key == ARGP_KEY_END && a->port == NULL) {
        argp_error(state, "PORT is missing");
        return 0;
    }
    return parse_common(key, argument, state);
}

static int run_identify(int argc, char **argv)
{
    static const struct argp_option OPTIONS[] = {JSON_OPTION, BAUD_OPTION, LIBRARY_OPTION, {0}};
    static const struct argp ARGP = {
        OPTIONS, parse_identify, "PORT", "Ask the rig at PORT who it is. Nothing moves.\v" EXIT_STATUSES,
        NULL,    NULL,           NULL};
    struct arguments a;
    struct link *link = NULL;
    struct rig_client *client = NULL;
    struct wire_identity identity;
    struct err e;
    int status;
    parse(&ARGP, argc, argv, "identify", &a);
    if (link_open(a.port, a.baud, a.way, &link, &e) != ERR_OK ||
        rig_client_new(link, &client, &e) != ERR_OK || rig_client_identify(client, &identity, &e) != ERR_OK)
        status = report(&e);
    else if (a.json)
        status = print_identity_json(a.port, &identity);
    else
        status = print_identity(a.port, &identity);
    rig_client_free(client);
    link_close(link);
    return status;
}

/* What capturing commands have in common. */

/* false after a complaint. */
static bool has_port_and_out(const struct arguments *a, struct argp_state *state)
{
    if (a->port == NULL)
        argp_error(state, "--port is missing");
    else if (a->folder == NULL || a->folder[0] == 0)
        argp_error(state, "--out is missing");
    else
        return true;
    return false;
}

/* Whether the operator can be asked, or has said that there is no need. */
static bool can_ask(bool unattended, const char *what, const char *option, struct err *e)
{
    if (unattended || operator_is_there())
        return true;
    err_set(e, ERR_USAGE, "standard input is no terminal, so nobody can be asked to %s; use %s", what,
            option);
    return false;
}

/* Say what was recorded, then how it ended. noun: "runs". */
static int finish_recording(const char *out, size_t recorded, size_t planned, const char *noun,
                            const char *how, enum err_code code, const struct err *e)
{
    if (recorded > 0)
        printf("%s: %zu of %zu %s recorded%s\n", out, recorded, planned, noun, how);
    if (code == ERR_OK)
        return finish_output();
    fflush(stdout);
    return report(e);
}

/* run */

static error_t parse_run(int key, char *argument, struct argp_state *state)
{
    struct arguments *a = state->input;
    switch (key) {
    case 'y':
        a->yes = true;
        return 0;
    case OPTION_RESUME:
        a->resume = true;
        return 0;
    case ARGP_KEY_ARG:
        if (a->plan != NULL)
            return parse_common(key, argument, state);
        a->plan = argument;
        return 0;
    case ARGP_KEY_END:
        if (a->plan == NULL && !a->resume)
            argp_error(state, "PLAN is missing");
        else
            has_port_and_out(a, state);
        return 0;
    default:
        return parse_common(key, argument, state);
    }
}

static void tell(void *context, const char *text)
{
    (void)context;
    fprintf(stderr, PROGRAM ": %s\n", text);
}

static int run_run(int argc, char **argv)
{
    static const struct argp_option OPTIONS[] = {
        PORT_OPTION,
        {"out", OPTION_OUT, "DIR", 0, "New folder for the series; one that holds anything is refused", 0},
        {"resume", OPTION_RESUME, NULL, 0,
         "Go on with the series in DIR after it was broken off, with its own plan: repeat the run that was "
         "not "
         "finished, then carry out the rest",
         0},
        {"yes", 'y', NULL, 0,
         "Unattended: ask nothing. You have read the cautions, and the bench is changed without being asked "
         "for",
         0},
        BAUD_OPTION,
        LIBRARY_OPTION,
        {0}};
    static const struct argp ARGP = {
        OPTIONS,
        parse_run,
        "PLAN --port PORT --out DIR\n--resume --port PORT --out DIR",
        "Carry out the plan in the file PLAN and write a series into DIR, or go on with the series in DIR.\v"
        "It says on standard error what must be changed on the bench between runs, "
        "and waits for Enter: at a terminal, or from a program that reads these "
        "lines and answers each with an empty line on a pipe. "
        "Ctrl-C once ramps the feed down, closes the run as interrupted and "
        "keeps all runs so far; twice cuts the motor "
        "at once. SIGTERM, SIGHUP and a terminal that is lost do the same as once. --resume goes on from "
        "there, "
        "and from any other end: what was recorded is kept, a run that was broken off keeps its rows and is "
        "repeated under a new number. Limits in the plan are a help and not a safety function: have "
        "an emergency stop that cuts motor power "
        "in hardware.\n\n" EXIT_STATUSES,
        NULL,
        NULL,
        NULL};
    struct arguments a;
    struct series_request request;
    struct series_capture *capture;
    struct series_outcome outcome;
    struct operator_view view;
    char how[120];
    struct err e;
    enum err_code code;
    parse(&ARGP, argc, argv, "run", &a);
    if (!can_ask(a.yes, "mount feeders", "--yes to run unattended", &e))
        return report(&e);
    request = (struct series_request){.plan_path = a.plan,
                                      .port = a.port,
                                      .folder = a.folder,
                                      .baud = a.baud,
                                      .way = a.way,
                                      .resume = a.resume,
                                      .tell = tell};
    if (series_capture_prepare(&request, &capture, &e) != ERR_OK)
        return report(&e);
    catch_stop_requests();
    operator_init(&view, a.yes, &stop_requests);
    code = series_capture_carry_out(capture, &view, &outcome, &e);
    series_capture_free(capture);
    if (code != ERR_OK && outcome.recorded > 0 && outcome.complete + outcome.limited < outcome.planned)
        operator_say(&view, "to go on: " PROGRAM " run --resume --port %s --out %s", a.port, a.folder);
    snprintf(how, sizeof how, ": %d complete, %d at a limit, %d interrupted, %d faults", outcome.complete,
             outcome.limited, outcome.interrupted, outcome.faulted);
    return finish_recording(a.folder, (size_t)outcome.recorded, (size_t)outcome.planned, "runs", how, code,
                            &e);
}

/* weigh */

static error_t parse_weigh(int key, char *argument, struct argp_state *state)
{
    struct arguments *a = state->input;
    struct err e;
    switch (key) {
    case ARGP_KEY_INIT:
        state->child_inputs[0] = &a->weigh_words;
        return 0;
    case 'y':
        a->yes = true;
        return 0;
    case OPTION_FEEDER:
        a->feeder = argument;
        return 0;
    case ARGP_KEY_END:
        if (has_port_and_out(a, state) && weigh_order_read(&a->weigh_words, &a->weigh_order, &e) != ERR_OK)
            argp_error(state, "%s", err_clean_text(e.text));
        return 0;
    default:
        return parse_common(key, argument, state);
    }
}

static int run_weigh(int argc, char **argv)
{
    static const struct argp_option OPTIONS[] = {
        PORT_OPTION,
        {"out", OPTION_OUT, "READINGS.csv", 0,
         "New file for the readings; what else there is to tell goes to READINGS.json", 0},
        {"feeder", OPTION_FEEDER, "NAME", 0, "What is mounted, for a rig that asks", 0},
        {"yes", 'y', NULL, 0, "Unattended: wait for each load to be hung instead of asking for Enter", 0},
        BAUD_OPTION,
        LIBRARY_OPTION,
        {0}};
    static const struct argp_child CHILDREN[] = {{&weigh_options_argp, 0, NULL, 0}, {0}};
    static const struct argp ARGP = {
        OPTIONS,
        parse_weigh,
        "--port PORT --out READINGS.csv --loads LIST",
        "Record what the load cell reads under hung weights. Nothing moves.\v"
        "A reading counts as steady when, over a window of 1 s, the means of its halves "
        "differ by less than 2 standard errors and the scatter of neither is above 1.5 "
        "times that of the first reading. Ctrl-C ends; readings taken are kept.\n\n" EXIT_STATUSES,
        CHILDREN,
        NULL,
        NULL};
    struct arguments a;
    struct operator_view view;
    struct weigh_outcome outcome;
    struct err e;
    enum err_code code;
    parse(&ARGP, argc, argv, "weigh", &a);
    if (!can_ask(a.yes, "hang weights", "--yes to wait for each load instead", &e))
        return report(&e);
    catch_stop_requests();
    operator_init(&view, a.yes, &stop_requests);
    code = weigh_carry_out(&(struct weigh_request){.port = a.port,
                                                   .baud = a.baud,
                                                   .way = a.way,
                                                   .out = a.folder,
                                                   .feeder = a.feeder != NULL ? a.feeder : "weighing",
                                                   .order = &a.weigh_order},
                           &view, &outcome, &e);
    return finish_recording(a.folder, outcome.recorded, outcome.planned, "readings", "", code, &e);
}

/* measure-feed */

static error_t parse_measure_feed(int key, char *argument, struct argp_state *state)
{
    struct arguments *a = state->input;
    struct err e;
    switch (key) {
    case ARGP_KEY_INIT:
        state->child_inputs[0] = &a->feed_words;
        return 0;
    case ARGP_KEY_END:
        if (has_port_and_out(a, state) &&
            measure_feed_read_words(&a->feed_words, &a->feed_order, &e) != ERR_OK)
            argp_error(state, "%s", err_clean_text(e.text));
        return 0;
    default:
        return parse_common(key, argument, state);
    }
}

static int run_measure_feed(int argc, char **argv)
{
    static const struct argp_option OPTIONS[] = {
        PORT_OPTION,
        {"out", OPTION_OUT, "FEED.csv", 0,
         "New file for the lengths; what else there is to tell goes to FEED.json", 0},
        BAUD_OPTION,
        LIBRARY_OPTION,
        {0}};
    static const struct argp_child CHILDREN[] = {{&measure_feed_options_argp, 0, NULL, 0}, {0}};
    static const struct argp ARGP = {
        OPTIONS,
        parse_measure_feed,
        "--port PORT --out FEED.csv --feeder NAME ...",
        "Feed known numbers of steps with nothing in the way and record the "
        "lengths that you measure.\v"
        "The motor is cut while you measure. Ctrl-C once ramps the feed down, twice "
        "cuts the motor at once; lengths measured so far are kept. The limits are a "
        "help and not a safety function: have an emergency stop that cuts motor power "
        "in hardware.\n\n" EXIT_STATUSES,
        CHILDREN,
        NULL,
        NULL};
    struct arguments a;
    struct operator_view view;
    struct measure_feed_outcome outcome;
    struct err e;
    enum err_code code;
    parse(&ARGP, argc, argv, "measure-feed", &a);
    if (!can_ask(a.feed_order.have_measured, "measure lengths", "--measured to state them beforehand", &e))
        return report(&e);
    catch_stop_requests();
    operator_init(&view, a.feed_order.have_measured, &stop_requests);
    code = measure_feed_carry_out(
        &(struct measure_feed_request){
            .port = a.port, .baud = a.baud, .way = a.way, .out = a.folder, .order = &a.feed_order},
        &view, &outcome, &e);
    return finish_recording(a.folder, outcome.recorded, outcome.planned, "lengths", "", code, &e);
}

/* The outer level: which command. */

struct command {
    const char *name;
    int (*run)(int argc, char **argv);
};

static const struct command COMMANDS[] = {{"ports", run_ports},
                                          {"identify", run_identify},
                                          {"weigh", run_weigh},
                                          {"measure-feed", run_measure_feed},
                                          {"run", run_run}};

struct chosen {
    const struct command *command;
    int index; /* of the command in argv */
};

static error_t parse_command(int key, char *argument, struct argp_state *state)
{
    struct chosen *chosen = state->input;
    switch (key) {
    case ARGP_KEY_ARG:
        for (size_t i = 0; i < sizeof COMMANDS / sizeof COMMANDS[0]; i++) {
            if (strcmp(argument, COMMANDS[i].name) == 0)
                chosen->command = &COMMANDS[i];
        }
        if (chosen->command == NULL)
            argp_error(state, "'%s' is no command", argument);
        chosen->index = state->next - 1;
        state->next = state->argc; /* the rest belongs to the command */
        return 0;
    case ARGP_KEY_NO_ARGS:
        argp_error(state, "a command is missing");
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

int main(int argc, char **argv)
{
    static const struct argp ARGP = {NULL,
                                     parse_command,
                                     "COMMAND [OPTION...]",
                                     "Talk to a filament-feeder rig and record what it measures.\v"
                                     "Commands:\n"
                                     "  ports         list the serial ports of this machine\n"
                                     "  identify      ask the rig at a port who it is\n"
                                     "  weigh         record readings of hung weights\n"
                                     "  measure-feed  record lengths measured for known steps\n"
                                     "  run           carry out a plan and write a series of runs\n\n"
                                     "`" PROGRAM " COMMAND --help' tells about one.\n\n" EXIT_STATUSES,
                                     NULL,
                                     NULL,
                                     NULL};
    struct chosen chosen = {0};
    static char name[] = PROGRAM;
    argp_err_exit_status = EXIT_WRONG_USE;
    argv[0] = name; /* messages name the program, not the path by which it was called */
    signal(SIGPIPE, SIG_IGN);
    argp_parse(&ARGP, argc, argv, ARGP_IN_ORDER, NULL, &chosen);
    return chosen.command->run(argc - chosen.index, argv + chosen.index);
}
