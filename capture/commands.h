/* The commands of nipbench-capture, and what they have in common: options, signals, messages, results. Only
 * main.c, commands.c and the command_NAME.c files print messages; all else hands its errors up. */
#ifndef CAPTURE_COMMANDS_H
#define CAPTURE_COMMANDS_H

#include "capture/link.h"
#include "capture/measure_feed.h"
#include "capture/measure_feed_options.h"
#include "capture/weigh.h"
#include "capture/weigh_options.h"
#include "rig/base/err.h"

#include <argp.h>
#include <jansson.h>
#include <signal.h>
#include <stdbool.h>
#include <stddef.h>

#define COMMANDS_PROGRAM       "nipbench-capture"
#define COMMANDS_EXIT_STATUSES EXIT_STATUS_HELP

/* Each takes its own part of the command line, argv[0] being its name, and returns the exit status. */
int command_ports(int argc, char **argv);
int command_identify(int argc, char **argv);
int command_watch(int argc, char **argv);
int command_weigh(int argc, char **argv);
int command_measure_feed(int argc, char **argv);
int command_plan(int argc, char **argv);
int command_run(int argc, char **argv);

/* What all commands can be told. */
struct commands_arguments {
    bool json;
    bool yes;
    bool resume;
    bool plot;
    enum link_way way;
    int baud;
    const char *port;
    const char *plan;
    const char *folder;
    const char *feeder;      /* of weigh and watch */
    const char *calibration; /* of watch, as are the next two */
    double rate_hz;          /* 0: as the program sees fit */
    double seconds;          /* 0: until told to end */
    struct weigh_order_words weigh_words;
    struct weigh_order weigh_order;
    struct measure_feed_words feed_words;
    struct measure_feed_order feed_order;
};

enum {
    COMMANDS_KEY_JSON = 256,
    COMMANDS_KEY_PORT,
    COMMANDS_KEY_OUT,
    COMMANDS_KEY_BAUD,
    COMMANDS_KEY_LIBRARY,
    COMMANDS_KEY_FEEDER,
    COMMANDS_KEY_RESUME,
    COMMANDS_KEY_CALIBRATION,
    COMMANDS_KEY_RATE,
    COMMANDS_KEY_PLOT,
    COMMANDS_KEY_SECONDS
};

#define COMMANDS_JSON_OPTION                                                                                 \
    {                                                                                                        \
        "json", COMMANDS_KEY_JSON, NULL, 0, "Print the result as JSON on standard output", 0                 \
    }
#define COMMANDS_BAUD_OPTION                                                                                 \
    {                                                                                                        \
        "baud", COMMANDS_KEY_BAUD, "N", 0, "Bits per second on the line; the default is 500000", 0           \
    }
#define COMMANDS_PORT_OPTION                                                                                 \
    {                                                                                                        \
        "port", COMMANDS_KEY_PORT, "PORT", 0,                                                                \
            "Where the rig is: a serial port, or what nipbench-rig printed", 0                               \
    }
#define COMMANDS_LIBRARY_OPTION                                                                              \
    {                                                                                                        \
        "serial-library", COMMANDS_KEY_LIBRARY, NULL, 0,                                                     \
            "For tests: open a pseudo-terminal like a real port", 0                                          \
    }

/* Read the command line of the command of that name; ends the program when it is wrong. */
void commands_parse(const struct argp *argp, int argc, char **argv, const char *name,
                    struct commands_arguments *a);

/* The options above and arguments that nobody wants: what a command's own parser leaves over. */
error_t commands_parse_common(int key, char *argument, struct argp_state *state);

/* The same for commands whose one argument is PORT. */
error_t commands_parse_port(int key, char *argument, struct argp_state *state);

/* false after a complaint. */
bool commands_has_port_and_out(const struct commands_arguments *a, struct argp_state *state);

/* Whether the operator can be asked, or has said that there is no need. */
bool commands_can_ask(bool unattended, const char *what, const char *option, struct err *e);

/* From now on signals that would end the program are counted instead: Ctrl-C asks to stop, and asked twice to
 * cut. Returns the count. */
const volatile sig_atomic_t *commands_catch_stop_requests(void);

/* The line on standard error that says what went wrong. Returns the exit status. */
int commands_report(const struct err *e);

/* Make sure that standard output took everything. Returns the exit status. */
int commands_finish_output(void);

/* value (which is used up, NULL when there was no memory for it) on standard output. Returns the exit status.
 */
int commands_print_json(json_t *value);

/* Say what was recorded, then how it ended. noun: "runs". Returns the exit status. */
int commands_finish_recording(const char *out, size_t recorded, size_t planned, const char *noun,
                              const char *how, enum err_code code, const struct err *e);

#endif
