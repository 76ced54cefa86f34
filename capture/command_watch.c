/* The command `watch': show live what a rig measures. */
#include "capture/commands.h"
#include "capture/watch.h"
#include "capture/watch_plot.h"
#include "capture/watch_terminal.h"
#include "capture/watch_text.h"
#include "rig/base/number.h"

#include <argp.h>
#include <inttypes.h>
#include <jansson.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>

/* All in the outside world's time. */
#define PUMP_US 20000  /* how long one wait lasts at most, so that a key or a stop is seen */
#define DRAW_US 170000 /* between two pictures: at most six a second */
#define PLOT_US 500000
#define LINE_US 1000000

#define RATE_LEAST_HZ 1.0
#define RATE_MOST_HZ  100000.0
#define SECONDS_LEAST 0.1
#define SECONDS_MOST  31557600.0 /* a year */

struct watching {
    const struct commands_arguments *arguments;
    const volatile sig_atomic_t *stop_requests;
    struct watch *watch;
    struct watch_terminal *terminal; /* NULL unless it is drawn on */
    struct watch_plot *plot;         /* NULL unless asked for */
    bool blocks;
    int64_t begun_us; /* when there was a sample first, 0 before */
    int64_t draw_due_us, plot_due_us, line_due_us;
    bool any_line;
};

static volatile sig_atomic_t continued;

/* Somebody had stopped us, and the rig has heard nothing meanwhile. */
static void note_continued(int signal_number)
{
    (void)signal_number;
    continued = 1;
}

static error_t parse_watch(int key, char *argument, struct argp_state *state)
{
    struct commands_arguments *a = state->input;
    struct err e;
    switch (key) {
    case COMMANDS_KEY_FEEDER:
        if (argument[0] == 0)
            argp_error(state, "--feeder is empty");
        a->feeder = argument;
        return 0;
    case COMMANDS_KEY_CALIBRATION:
        a->calibration = argument;
        return 0;
    case COMMANDS_KEY_PLOT:
        a->plot = true;
        return 0;
    case COMMANDS_KEY_RATE:
        if (number_read_double(argument, RATE_LEAST_HZ, RATE_MOST_HZ, "--rate", "Hz", &a->rate_hz, &e) !=
            ERR_OK)
            argp_error(state, "%s", err_clean_text(e.text));
        return 0;
    case COMMANDS_KEY_SECONDS:
        if (number_read_double(argument, SECONDS_LEAST, SECONDS_MOST, "--seconds", "s", &a->seconds, &e) !=
            ERR_OK)
            argp_error(state, "%s", err_clean_text(e.text));
        return 0;
    default:
        return commands_parse_port(key, argument, state);
    }
}

/* ---- what is shown ---- */

static enum err_code draw_picture(struct watching *w, struct err *e)
{
    static char lines[WATCH_TEXT_LINES_MAX][WATCH_TEXT_LINE_BYTES];
    double history[WATCH_SUMS_HISTORY_STEPS];
    struct watch_reading reading;
    size_t steps, count;
    int columns, rows;
    watch_terminal_size(w->terminal, &columns, &rows);
    if (columns > WATCH_TEXT_COLUMNS_MAX)
        columns = WATCH_TEXT_COLUMNS_MAX;
    watch_read(w->watch, WATCH_TEXT_FORCE_US, &reading);
    steps = watch_history(w->watch, watch_text_history_columns(columns), history);
    count = watch_text_picture(&reading, history, steps, columns, rows, w->blocks,
                               watch_terminal_has_keys(w->terminal), lines);
    if (!watch_terminal_draw(w->terminal, lines[0], sizeof lines[0], count))
        return err_set(e, ERR_SYSTEM, "the terminal is gone");
    return ERR_OK;
}

static enum err_code print_line(struct watching *w, struct err *e)
{
    struct watch_reading reading;
    char line[WATCH_TEXT_ROW_BYTES];
    watch_read(w->watch, WATCH_SUMS_WINDOW_US, &reading);
    if (w->arguments->json) {
        json_t *object = watch_text_json(&reading);
        int failed = object == NULL || json_dumpf(object, stdout, JSON_COMPACT | JSON_REAL_PRECISION(9)) != 0;
        json_decref(object);
        if (failed)
            return err_set(e, ERR_SYSTEM, "cannot write JSON to standard output");
        putchar('\n');
    } else {
        if (!w->any_line) {
            watch_text_header(&reading, line, sizeof line);
            printf("%s\n", line);
        }
        watch_text_row(&reading, line, sizeof line);
        printf("%s\n", line);
    }
    w->any_line = true;
    if (fflush(stdout) != 0 || ferror(stdout))
        return err_set(e, ERR_SYSTEM, "cannot write to standard output");
    return ERR_OK;
}

static enum err_code draw_plot(struct watching *w, struct err *e)
{
    double history[WATCH_PLOT_POINTS];
    size_t count = watch_history(w->watch, WATCH_PLOT_POINTS, history);
    return watch_plot_draw(w->plot, history, count, WATCH_SUMS_HISTORY_STEP_US * 1e-6, e);
}

static enum err_code show_what_is_due(struct watching *w, int64_t now_us, struct err *e)
{
    enum err_code code = ERR_OK;
    if (w->terminal != NULL && now_us >= w->draw_due_us) {
        w->draw_due_us = now_us + DRAW_US;
        code = draw_picture(w, e);
    }
    if (code == ERR_OK && w->terminal == NULL && now_us >= w->line_due_us) {
        /* A second that was missed is not made up for. */
        while (w->line_due_us <= now_us)
            w->line_due_us += LINE_US;
        code = print_line(w, e);
    }
    if (code == ERR_OK && w->plot != NULL && now_us >= w->plot_due_us) {
        w->plot_due_us = now_us + PLOT_US;
        code = draw_plot(w, e);
    }
    return code;
}

/* ---- what is asked ---- */

static enum err_code obey(struct watching *w, bool *quit, struct err *e)
{
    int key = w->terminal != NULL ? watch_terminal_key(w->terminal) : 0;
    if (key == 'z' || key == 'Z') {
        watch_zero(w->watch);
        w->draw_due_us = 0;
    }
    *quit = key == 'q' || key == 'Q' || *w->stop_requests > 0;
    if (w->terminal != NULL && watch_terminal_suspend_asked(w->terminal) && !*quit) {
        watch_pause(w->watch);
        watch_terminal_suspend(w->terminal);
        continued = 1;
    } else if (continued && w->terminal != NULL) {
        watch_terminal_retake(w->terminal);
    }
    if (!continued || *quit)
        return ERR_OK;
    continued = 0;
    return watch_resume(w->watch, e);
}

static enum err_code go_on(struct watching *w, struct err *e)
{
    bool quit = false;
    for (;;) {
        int64_t now_us, end_us;
        enum err_code code = obey(w, &quit, e);
        if (code != ERR_OK || quit)
            return code;
        code = watch_pump(w->watch, PUMP_US, e);
        if (code != ERR_OK && continued)
            continue; /* no wonder after a stop: ask anew */
        if (code != ERR_OK)
            return code;
        if (!watch_has_sample(w->watch))
            continue;
        now_us = link_now_us();
        if (w->begun_us == 0) {
            w->begun_us = now_us;
            w->line_due_us = now_us + LINE_US;
        }
        end_us = w->begun_us + (int64_t)(w->arguments->seconds * 1e6);
        if (w->arguments->seconds > 0 && now_us >= end_us && w->line_due_us > end_us && !w->any_line)
            w->line_due_us = now_us; /* at least one line */
        code = show_what_is_due(w, now_us, e);
        if (code != ERR_OK || (w->arguments->seconds > 0 && now_us >= end_us))
            return code;
    }
}

static enum err_code carry_out(struct watching *w, const struct calibration *calibration, struct err *e)
{
    const struct commands_arguments *a = w->arguments;
    struct watch_request request = {.port = a->port,
                                    .baud = a->baud,
                                    .way = a->way,
                                    .feeder = a->feeder,
                                    .calibration = calibration,
                                    .rate_hz = a->rate_hz};
    struct sigaction go_on_again = {.sa_handler = note_continued};
    enum err_code code = ERR_OK;
    sigemptyset(&go_on_again.sa_mask);
    if (a->plot)
        code = watch_plot_open(calibration != NULL, &w->plot, e);
    if (code == ERR_OK)
        code = watch_open(&request, &w->watch, e);
    if (code == ERR_OK && !a->json && watch_terminal_is_there()) {
        w->blocks = watch_terminal_shows_blocks();
        code = watch_terminal_open(&w->terminal, e);
    } else if (code == ERR_OK) {
        fprintf(stderr, COMMANDS_PROGRAM ": watching only: nothing moves, the rig is never armed\n");
    }
    if (code == ERR_OK) {
        sigaction(SIGCONT, &go_on_again, NULL);
        code = go_on(w, e);
    }
    watch_terminal_close(w->terminal);
    watch_plot_close(w->plot);
    watch_close(w->watch);
    return code;
}

int command_watch(int argc, char **argv)
{
    static const struct argp_option OPTIONS[] = {
        {"feeder", COMMANDS_KEY_FEEDER, "NAME", 0,
         "What is mounted: for slip by the feed measured for it, and for a rig that asks", 0},
        {"calibration", COMMANDS_KEY_CALIBRATION, "CALIBRATION.json", 0,
         "Calibration of this rig: newtons instead of counts, millimetres, slip", 0},
        {"rate", COMMANDS_KEY_RATE, "HZ", 0, "Samples a second; the default is 1000, or what the rig can do",
         0},
        {"plot", COMMANDS_KEY_PLOT, NULL, 0, "Draw the force of the last minute in a window of gnuplot", 0},
        {"seconds", COMMANDS_KEY_SECONDS, "N", 0, "End by itself after so many seconds", 0},
        {"json", COMMANDS_KEY_JSON, NULL, 0, "Print one JSON object a line, once a second", 0},
        COMMANDS_BAUD_OPTION,
        COMMANDS_LIBRARY_OPTION,
        {0}};
    static const struct argp ARGP = {
        OPTIONS,
        parse_watch,
        "PORT",
        "Show live what the rig at PORT measures. Nothing moves: the rig is never armed, and nothing is "
        "recorded.\v"
        "On a terminal the picture is redrawn in place; z takes the present force for zero and counts slip "
        "from now on, q or Ctrl-C ends (status 0). Where standard output is no terminal, one line a second "
        "is "
        "printed under a header.\n"
        "Noise is the standard deviation over the last second. Mains is the greater of the amplitudes at 50 "
        "and 60 Hz and their first harmonics. Slip is commanded minus measured feed; it needs an encoder, "
        "--calibration and --feeder.\n\n" COMMANDS_EXIT_STATUSES,
        NULL,
        NULL,
        NULL};
    struct commands_arguments a;
    struct watching w = {.arguments = &a};
    struct calibration *calibration = NULL;
    struct err e;
    enum err_code code = ERR_OK;
    int status;
    commands_parse(&ARGP, argc, argv, "watch", &a);
    if (a.calibration != NULL) {
        calibration = malloc(sizeof *calibration);
        code = calibration != NULL ? calibration_read(a.calibration, calibration, &e)
                                   : err_set(&e, ERR_MEMORY, "out of memory");
    }
    if (code == ERR_OK) {
        w.stop_requests = commands_catch_stop_requests();
        code = carry_out(&w, calibration, &e);
    }
    status = code == ERR_OK ? commands_finish_output() : commands_report(&e);
    free(calibration);
    return status;
}
