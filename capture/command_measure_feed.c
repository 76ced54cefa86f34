/* The command `measure-feed': record lengths measured for known steps. */
#include "capture/commands.h"
#include "capture/measure_feed.h"
#include "capture/measure_feed_options.h"
#include "capture/operator.h"

#include <argp.h>

static error_t parse_measure_feed(int key, char *argument, struct argp_state *state)
{
    struct commands_arguments *a = state->input;
    struct err e;
    switch (key) {
    case ARGP_KEY_INIT:
        state->child_inputs[0] = &a->feed_words;
        return 0;
    case ARGP_KEY_END:
        if (commands_has_port_and_out(a, state) &&
            measure_feed_read_words(&a->feed_words, &a->feed_order, &e) != ERR_OK)
            argp_error(state, "%s", err_clean_text(e.text));
        return 0;
    default:
        return commands_parse_common(key, argument, state);
    }
}

int command_measure_feed(int argc, char **argv)
{
    static const struct argp_option OPTIONS[] = {
        COMMANDS_PORT_OPTION,
        {"out", COMMANDS_KEY_OUT, "FEED.csv", 0,
         "New file for the lengths; what else there is to tell goes to FEED.json", 0},
        COMMANDS_BAUD_OPTION,
        COMMANDS_LIBRARY_OPTION,
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
        "in hardware.\n\n" COMMANDS_EXIT_STATUSES,
        CHILDREN,
        NULL,
        NULL};
    struct commands_arguments a;
    struct operator_view view;
    struct measure_feed_outcome outcome;
    struct err e;
    enum err_code code;
    commands_parse(&ARGP, argc, argv, "measure-feed", &a);
    if (!commands_can_ask(a.feed_order.have_measured, "measure lengths",
                          "--measured to state them beforehand", &e))
        return commands_report(&e);
    operator_init(&view, a.feed_order.have_measured, commands_catch_stop_requests());
    code = measure_feed_carry_out(
        &(struct measure_feed_request){
            .port = a.port, .baud = a.baud, .way = a.way, .out = a.folder, .order = &a.feed_order},
        &view, &outcome, &e);
    operator_end(&view);
    return commands_finish_recording(a.folder, outcome.recorded, outcome.planned, "lengths", "", code, &e);
}
