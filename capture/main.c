/* nipbench-capture: talks to a rig and writes data sets. Here: which command. */
#include "capture/commands.h"
#include "rig/base/err.h"

#include <argp.h>
#include <signal.h>
#include <string.h>

const char *argp_program_version = COMMANDS_PROGRAM " " NIPBENCH_VERSION;

struct command {
    const char *name;
    int (*run)(int argc, char **argv);
};

static const struct command COMMANDS[] = {
    {"ports", command_ports}, {"identify", command_identify},         {"watch", command_watch},
    {"weigh", command_weigh}, {"measure-feed", command_measure_feed}, {"plan", command_plan},
    {"run", command_run}};

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
                                     "  watch         show live what a rig measures\n"
                                     "  weigh         record readings of hung weights\n"
                                     "  measure-feed  record lengths measured for known steps\n"
                                     "  plan          write a plan to start from, or check one\n"
                                     "  run           carry out a plan and write a series of runs\n\n"
                                     "`" COMMANDS_PROGRAM
                                     " COMMAND --help' tells about one.\n\n" COMMANDS_EXIT_STATUSES,
                                     NULL,
                                     NULL,
                                     NULL};
    struct chosen chosen = {0};
    static char name[] = COMMANDS_PROGRAM;
    argp_err_exit_status = EXIT_WRONG_USE;
    argv[0] = name; /* messages name the program, not the path by which it was called */
    signal(SIGPIPE, SIG_IGN);
    argp_parse(&ARGP, argc, argv, ARGP_IN_ORDER, NULL, &chosen);
    return chosen.command->run(argc - chosen.index, argv + chosen.index);
}
