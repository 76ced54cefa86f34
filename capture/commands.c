#include "capture/commands.h"

#include "capture/operator.h"
#include "rig/base/number.h"

#include <stdio.h>
#include <string.h>

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

const volatile sig_atomic_t *commands_catch_stop_requests(void)
{
    static const int SIGNALS[] = {SIGINT, SIGQUIT, SIGTERM, SIGHUP};
    struct sigaction action = {.sa_handler = count_stop_request};
    sigfillset(&action.sa_mask); /* they share one count */
    for (size_t i = 0; i < sizeof SIGNALS / sizeof SIGNALS[0]; i++)
        sigaction(SIGNALS[i], &action, NULL);
    return &stop_requests;
}

int commands_report(const struct err *e)
{
    char text[2048];
    fprintf(stderr, COMMANDS_PROGRAM ": %s\n", err_format(e, text, sizeof text));
    return err_exit_status(e->code);
}

int commands_finish_output(void)
{
    struct err e;
    if (fflush(stdout) == 0 && !ferror(stdout))
        return EXIT_DONE;
    err_set(&e, ERR_SYSTEM, "cannot write to standard output");
    return commands_report(&e);
}

int commands_print_json(json_t *value)
{
    struct err e;
    int failed = value == NULL || json_dumpf(value, stdout, JSON_INDENT(2) | JSON_SORT_KEYS) != 0;
    json_decref(value);
    if (failed) {
        err_set(&e, ERR_SYSTEM, "cannot write JSON to standard output");
        return commands_report(&e);
    }
    putchar('\n');
    return commands_finish_output();
}

error_t commands_parse_common(int key, char *argument, struct argp_state *state)
{
    struct commands_arguments *a = state->input;
    struct err e;
    int64_t number;
    switch (key) {
    case COMMANDS_KEY_JSON:
        a->json = true;
        return 0;
    case COMMANDS_KEY_PORT:
        a->port = argument;
        return 0;
    case COMMANDS_KEY_OUT:
        a->folder = argument;
        return 0;
    case COMMANDS_KEY_LIBRARY:
        a->way = LINK_BY_LIBRARY;
        return 0;
    case COMMANDS_KEY_BAUD:
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

error_t commands_parse_port(int key, char *argument, struct argp_state *state)
{
    struct commands_arguments *a = state->input;
    if (key == ARGP_KEY_ARG && a->port == NULL) {
        a->port = argument;
        return 0;
    }
    if (key == ARGP_KEY_END && a->port == NULL) {
        argp_error(state, "PORT is missing");
        return 0;
    }
    return commands_parse_common(key, argument, state);
}

void commands_parse(const struct argp *argp, int argc, char **argv, const char *name,
                    struct commands_arguments *a)
{
    static char full_name[64];
    snprintf(full_name, sizeof full_name, COMMANDS_PROGRAM " %s", name);
    argv[0] = full_name;
    *a = (struct commands_arguments){.baud = LINK_BAUD_DEFAULT, .way = LINK_BY_PATH};
    argp_parse(argp, argc, argv, 0, NULL, a);
}

bool commands_has_port_and_out(const struct commands_arguments *a, struct argp_state *state)
{
    if (a->port == NULL)
        argp_error(state, "--port is missing");
    else if (a->folder == NULL || a->folder[0] == 0)
        argp_error(state, "--out is missing");
    else
        return true;
    return false;
}

bool commands_can_ask(bool unattended, const char *what, const char *option, struct err *e)
{
    if (unattended || operator_is_there())
        return true;
    err_set(e, ERR_USAGE, "standard input is no terminal, so nobody can be asked to %s; use %s", what,
            option);
    return false;
}

int commands_finish_recording(const char *out, size_t recorded, size_t planned, const char *noun,
                              const char *how, enum err_code code, const struct err *e)
{
    if (recorded > 0)
        printf("%s: %zu of %zu %s recorded%s\n", out, recorded, planned, noun, how);
    if (code == ERR_OK)
        return commands_finish_output();
    fflush(stdout);
    return commands_report(e);
}
