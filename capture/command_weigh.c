/* The command `weigh': record readings of hung weights. */
#include "capture/commands.h"
#include "capture/operator.h"
#include "capture/weigh.h"
#include "capture/weigh_options.h"

#include <argp.h>

static error_t parse_weigh(int key, char *argument, struct argp_state *state)
{
    struct commands_arguments *a = state->input;
    struct err e;
    switch (key) {
    case ARGP_KEY_INIT:
        state->child_inputs[0] = &a->weigh_words;
        return 0;
    case 'y':
        a->yes = true;
        return 0;
    case COMMANDS_KEY_FEEDER:
        a->feeder = argument;
        return 0;
    case ARGP_KEY_END:
        if (commands_has_port_and_out(a, state) &&
            weigh_order_read(&a->weigh_words, &a->weigh_order, &e) != ERR_OK)
            argp_error(state, "%s", err_clean_text(e.text));
        return 0;
    default:
        return commands_parse_common(key, argument, state);
    }
}

int command_weigh(int argc, char **argv)
{
    static const struct argp_option OPTIONS[] = {
        COMMANDS_PORT_OPTION,
        {"out", COMMANDS_KEY_OUT, "READINGS.csv", 0,
         "New file for the readings; what else there is to tell goes to READINGS.json", 0},
        {"feeder", COMMANDS_KEY_FEEDER, "NAME", 0, "What is mounted, for a rig that asks", 0},
        {"yes", 'y', NULL, 0, "Unattended: wait for each load to be hung instead of asking for Enter", 0},
        COMMANDS_BAUD_OPTION,
        COMMANDS_LIBRARY_OPTION,
        {0}};
    static const struct argp_child CHILDREN[] = {{&weigh_options_argp, 0, NULL, 0}, {0}};
    static const struct argp ARGP = {
        OPTIONS,
        parse_weigh,
        "--port PORT --out READINGS.csv --loads LIST",
        "Record what the load cell reads under hung weights. Nothing moves.\v"
        "A reading counts as steady when, over a window of 1 s, the means of its halves "
        "differ by less than 2 standard errors and the scatter of neither is above 1.5 "
        "times that of the first reading. Ctrl-C ends; readings taken are kept.\n\n" COMMANDS_EXIT_STATUSES,
        CHILDREN,
        NULL,
        NULL};
    struct commands_arguments a;
    struct operator_view view;
    struct weigh_outcome outcome;
    struct err e;
    enum err_code code;
    commands_parse(&ARGP, argc, argv, "weigh", &a);
    if (!commands_can_ask(a.yes, "hang weights", "--yes to wait for each load instead", &e))
        return commands_report(&e);
    operator_init(&view, a.yes, commands_catch_stop_requests());
    code = weigh_carry_out(&(struct weigh_request){.port = a.port,
                                                   .baud = a.baud,
                                                   .way = a.way,
                                                   .out = a.folder,
                                                   .feeder = a.feeder != NULL ? a.feeder : "weighing",
                                                   .order = &a.weigh_order},
                           &view, &outcome, &e);
    operator_end(&view);
    return commands_finish_recording(a.folder, outcome.recorded, outcome.planned, "readings", "", code, &e);
}
