/* nipbench-rig: serves a simulated rig over a pseudo-terminal. */
#include "rig/base/err.h"
#include "rig/base/number.h"
#include "rig/simulator/fault_words.h"
#include "rig/simulator/faulty_rig.h"
#include "rig/simulator/feeder_file.h"
#include "rig/simulator/hands.h"
#include "rig/simulator/pace.h"
#include "rig/simulator/pair_serve.h"
#include "rig/simulator/pair_words.h"
#include "rig/simulator/rig_log.h"
#include "rig/simulator/rig_state.h"
#include "rig/simulator/terminal.h"
#include "rig/simulator/truth_file.h"
#include "rig/wire/message.h"

#include <argp.h>
#include <errno.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define FEEDERS_MAX 64
/* Room for what the host has not taken yet: at 1 kHz five seconds of the outside world, so more with a
 * speed-up. */
#define BUFFER_BYTES     (64 * 1024)
#define BUFFER_BYTES_MAX (4 * 1024 * 1024)
/* Kept for answers and events when samples have filled the rest. */
#define ANSWER_BYTES (8 * 1024)
/* A host that is there sends keep-alives; after this long without one nobody is listening. */
#define UNREAD_US 5000000
/* The rig's clock is looked at this often: a quarter of the longest wait of a sample. */
#define LOOK_MS 5

/* Options without a letter. */
enum { OPTION_FAULTS = 256, OPTION_LOG, OPTION_SAMPLES, OPTION_PAIR };

struct options {
    int64_t seed;
    double speedup;
    double rate_max_hz;
    double idle_exit_s; /* 0: never */
    int64_t protocol_major;
    bool hands;
    const char *serial;
    const char *truth;
    const char *link;
    const char *log;
    const char *samples;
    struct fault_plan faults;
    bool pair;
    struct pair_plan pair_plan;
    const char *feeders[FEEDERS_MAX];
    size_t feeder_count;
};

static struct argp_option option_table[] = {
    {"seed", 's', "N", 0, "Seed of everything random, from 0; the default is 1", 0},
    {"feeder", 'f', "FEEDER.yaml", 0,
     "Serve the feeder of this parameter file; may be given several times; the default is one built-in gear",
     0},
    {"speedup", 'x', "N", 0, "Rig seconds per second: 1 to 1000, the default is 1", 0},
    {"truth", 't', "TRUTH.json", 0, "Write the true answers of each run to this file, anew at each move", 0},
    {"rate-max", 'r', "HZ", 0, "Greatest sample rate that the rig offers, in Hz; the default is 100000", 0},
    {"link", 'l', "PATH", 0, "Make PATH a symbolic link to the terminal while the rig runs", 0},
    {"serial", 'n', "TEXT", 0, "Serial number that the rig tells; the default is SIMULATED", 0},
    {"hands", 'H', NULL, 0,
     "Obey lines on standard input: 'hang NEWTONS', 'measure', 'end blocked', 'end free', 'end brake "
     "NEWTONS', "
     "'end hot CELSIUS', 'tube DEGREES', 'clean'; each is answered by a line",
     0},
    {"idle-exit", 'i', "SECONDS", 0, "End when no host has sent anything for that long; the default is never",
     0},
    {"faults", OPTION_FAULTS, "LIST", 0,
     "Have these faults, with commas between them; may be given several times. Of the rig's frames, share P: "
     "missing=P, "
     "repeated=P, reordered=P, corrupted=P, split=P, noise=P; of the host's: host-missing=P, "
     "host-corrupted=P. T seconds (of the rig) after sampling was first switched on, for D: reboot@T, "
     "unplugged@T+D, severed@T+D, deaf@T+D, mute@T+D, over-range@T+D, emergency-stop@T, driver-fault@T, "
     "limit-switch@T (these three until T+D if so told). clock-start=US, clock-ppm=X, limits-ignored",
     0},
    {"log", OPTION_LOG, "FILE", 0, "Write what happens to FILE, one JSON object a line", 0},
    {"samples", OPTION_SAMPLES, "SAMPLES.csv", 0, "Write every sample that the rig takes to this file", 0},
    {"pair", OPTION_PAIR, "LIST", OPTION_ARG_OPTIONAL,
     "Be two separate instruments in real time instead: a force gauge that writes lines of text (its "
     "terminal "
     "is the first line on standard output; with --link, PATH.force) and a motion controller that takes "
     "G-code "
     "(the second line; PATH.feed). LIST, with commas: rate=HZ (50), unit=N|kgf|gf|lbf, poll (a line for "
     "each "
     "'?'), microsteps-per-mm=X (of the controller; as the first feeder has it), blocks=N (4); T seconds "
     "after the "
     "first motion, or from the start with T 0: over-range@T, comma@T, unit@T, garbage@T, silent@T, error@T, "
     "mute@T, slow@T. --hands: 'hang NEWTONS', 'mount FEEDER'",
     0},
    {"protocol-major", 'p', "N", 0, "Pretend to speak this major version of the protocol (for tests)", 0},
    {0}};

static const char documentation[] =
    "Serve a simulated rig on a pseudo-terminal."
    "\vThe first line on standard output is the terminal's path. The rig runs until SIGINT or SIGTERM.\n"
    "Everything it measures is invented: the same parameters, seed and command times give the same "
    "bytes.\n\n" EXIT_STATUS_HELP;

static void bad_use(struct argp_state *state, const struct err *e)
{
    char line[1024];
    argp_error(state, "%s", err_format(e, line, sizeof line));
}

/* What the protocol does not allow in a text shows when it is read back. */
static bool text_can_be_sent(const char *text)
{
    struct wire_configure m = {0};
    uint8_t body[WIRE_BODY_MAX];
    snprintf(m.feeder, sizeof m.feeder, "%s", text);
    return wire_unpack_configure(body, wire_pack_configure(&m, body), &m) == WIRE_OK;
}

static error_t take_option(int key, char *argument, struct argp_state *state)
{
    struct options *o = state->input;
    struct err e;
    enum err_code code = ERR_OK;
    switch (key) {
    case 's':
        code = number_read_int64(argument, 0, INT64_MAX, "--seed", "", &o->seed, &e);
        break;
    case 'x':
        code = number_read_double(argument, 1, 1000, "--speedup", "", &o->speedup, &e);
        break;
    case 'r':
        code = number_read_double(argument, 1, 1000000, "--rate-max", "Hz", &o->rate_max_hz, &e);
        break;
    case 'i':
        code = number_read_double(argument, 0.001, 1e6, "--idle-exit", "s", &o->idle_exit_s, &e);
        break;
    case 'p':
        code = number_read_int64(argument, 0, 255, "--protocol-major", "", &o->protocol_major, &e);
        break;
    case 'n':
        if (strlen(argument) > WIRE_TEXT_MAX)
            code = err_set(&e, ERR_USAGE, "--serial: '%s' is longer than %d bytes", argument, WIRE_TEXT_MAX);
        else if (!text_can_be_sent(argument))
            code = err_set(&e, ERR_USAGE, "--serial: '%s' is not plain UTF-8 text", argument);
        o->serial = argument;
        break;
    case 'H':
        o->hands = true;
        break;
    case 't':
        o->truth = argument;
        break;
    case 'l':
        o->link = argument;
        break;
    case OPTION_PAIR:
        o->pair = true;
        if (argument != NULL)
            code = pair_words_read(argument, &o->pair_plan, &e);
        break;
    case OPTION_FAULTS:
        code = fault_words_read(argument, &o->faults, &e);
        break;
    case OPTION_LOG:
        o->log = argument;
        break;
    case OPTION_SAMPLES:
        o->samples = argument;
        break;
    case 'f':
        if (o->feeder_count == FEEDERS_MAX)
            code = err_set(&e, ERR_USAGE, "--feeder: at most %d feeders", FEEDERS_MAX);
        else
            o->feeders[o->feeder_count++] = argument;
        break;
    case ARGP_KEY_ARG:
        code = err_set(&e, ERR_USAGE, "'%s' is one word too many", argument);
        break;
    default:
        return ARGP_ERR_UNKNOWN;
    }
    if (code != ERR_OK)
        bad_use(state, &e);
    return 0;
}

static volatile sig_atomic_t stop_asked;

static void on_signal(int number)
{
    (void)number;
    stop_asked = 1;
}

static int64_t outside_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

struct server {
    struct options options;
    struct rig_setup setup;
    struct faulty_rig *faulty;
    struct rig_state *rig; /* of faulty */
    struct rig_log *log;
    struct terminal *terminal; /* NULL while it is unplugged */
    size_t buffer_bytes;
    struct pace pace;
    struct hands hands;
    bool plug_in;           /* asked for by the rig: open the terminal again */
    bool hands_gone;        /* standard input has ended */
    uint64_t truth_written; /* the state of the runs that the truth file shows */
    bool truth_failed;
    bool unread;
    int64_t last_byte_us; /* outside time */
};

static bool send_burst(void *context, const struct line_burst *burst)
{
    struct server *s = context;
    if (s->terminal == NULL)
        return true; /* plugged in again, but not yet open: it goes out on a line that nobody listens to */
    if (!terminal_queue(s->terminal, burst->bytes, burst->length, burst->samples > 0 ? ANSWER_BYTES : 0))
        return false;
    for (size_t i = 0; i < burst->cut_count; i++)
        terminal_pause(s->terminal, burst->length - burst->cuts[i].at, burst->cuts[i].gap_us);
    return true;
}

static void plug(void *context, bool plugged)
{
    struct server *s = context;
    s->plug_in = plugged;
    if (!plugged) {
        terminal_close(s->terminal);
        s->terminal = NULL;
    }
}

static void happened(void *context, const struct rig_happening *h)
{
    const struct server *s = context;
    rig_log_happened(s->log, h);
}

static void sampled(void *context, const struct rig_samples *samples)
{
    const struct server *s = context;
    rig_log_sampled(s->log, samples);
}

static void complain(const struct err *e)
{
    char line[1600];
    fprintf(stderr, "nipbench-rig: %s\n", err_format(e, line, sizeof line));
}

static enum err_code write_truth(struct server *s, struct err *e)
{
    if (s->options.truth == NULL)
        return ERR_OK;
    s->truth_written = rig_state_runs_changed(s->rig);
    return truth_file_write(s->options.truth, &s->setup, s->rig, e);
}

static enum err_code open_port(struct server *s, struct err *e)
{
    enum err_code code = terminal_open(s->buffer_bytes, &s->terminal, e);
    if (code == ERR_OK && s->options.link != NULL)
        code = terminal_link(s->terminal, s->options.link, e);
    if (code == ERR_OK)
        rig_log_port(s->log, s->pace.rig_us, rig_state_clock_us(s->rig), terminal_path(s->terminal));
    return code;
}

/* Bytes of the host, at the rig's present time: it has not been moved on since the last look, so a rig that
 * looks late does not take a host for silent whose bytes were waiting. */
static enum err_code take_bytes(struct server *s, int64_t now_us, struct err *e)
{
    uint8_t bytes[4096];
    size_t length;
    const enum err_code code = terminal_read(s->terminal, bytes, sizeof bytes, &length, e);
    if (code != ERR_OK)
        return code;
    if (length > 0) {
        const uint64_t heard = rig_state_frames_heard(s->rig);
        s->last_byte_us = now_us;
        s->unread = false;
        faulty_rig_set_unread(s->faulty, false);
        faulty_rig_receive(s->faulty, s->pace.rig_us, bytes, length);
        if (rig_state_frames_heard(s->rig) != heard)
            pace_heard(&s->pace, now_us);
    } else if (!s->unread && now_us - s->last_byte_us > UNREAD_US) {
        s->unread = true;
        faulty_rig_set_unread(s->faulty, true);
        terminal_discard(s->terminal);
    }
    return ERR_OK;
}

/* One look at the world: bytes in, time on, bytes out. */
static enum err_code serve_once(struct server *s, struct err *e)
{
    const int64_t now_us = outside_us();
    const int64_t before_us = s->pace.outside_us;
    const int64_t then_us = s->pace.rig_us;
    rig_log_look(s->log, (const int64_t[]){then_us, then_us}, (const int64_t[]){now_us, now_us});
    enum err_code code = s->terminal != NULL ? take_bytes(s, now_us, e) : ERR_OK;
    if (code != ERR_OK)
        return code;
    const int64_t time_us = pace_rig_us(&s->pace, now_us, rig_state_watchdog_due_us(s->rig));
    rig_log_look(s->log, (const int64_t[]){then_us, time_us}, (const int64_t[]){before_us, now_us});
    faulty_rig_advance(s->faulty, time_us);
    if (s->plug_in) {
        s->plug_in = false;
        code = open_port(s, e);
        if (code != ERR_OK)
            return code;
    }
    if (s->truth_written != rig_state_runs_changed(s->rig) && write_truth(s, e) != ERR_OK &&
        !s->truth_failed) {
        /* The rig goes on: a host is in the middle of a series. The exit status tells of it. */
        s->truth_failed = true;
        complain(e);
    }
    return s->terminal != NULL ? terminal_flush(s->terminal, now_us, e) : ERR_OK;
}

/* What the hands say: obeyed and answered at the rig's present time. Call when standard input has something.
 */
static enum err_code take_hands(struct server *s, struct err *e)
{
    char bytes[1024];
    char answer[HANDS_ANSWER_MAX];
    bool answered;
    const ssize_t length = read(STDIN_FILENO, bytes, sizeof bytes);
    if (length < 0 && (errno == EINTR || errno == EAGAIN))
        return ERR_OK;
    if (length <= 0)
        s->hands_gone = true;
    for (ssize_t at = 0; at < length;) {
        at += (ssize_t)hands_take(&s->hands, s->rig, bytes + at, (size_t)(length - at), answer, &answered);
        if (answered && (printf("%s\n", answer) < 0 || fflush(stdout) != 0))
            return err_set(e, ERR_SYSTEM, "cannot write to standard output: %s", strerror(errno));
    }
    return ERR_OK;
}

static enum err_code serve(struct server *s, struct err *e)
{
    sigset_t blocked;
    sigset_t unblocked;
    struct sigaction action = {.sa_handler = on_signal};
    sigemptyset(&action.sa_mask);
    sigemptyset(&blocked);
    sigaddset(&blocked, SIGINT);
    sigaddset(&blocked, SIGTERM);
    /* Blocked but inside ppoll, so that no signal is lost between the look at stop_asked and the wait. */
    sigprocmask(SIG_BLOCK, &blocked, &unblocked);
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGTERM, &action, NULL);
    while (!stop_asked) {
        const enum err_code code = serve_once(s, e);
        if (code != ERR_OK)
            return code;
        if (s->options.idle_exit_s > 0 &&
            (double)(outside_us() - s->last_byte_us) > s->options.idle_exit_s * 1e6)
            return ERR_OK;
        const struct timespec wait = {.tv_nsec = LOOK_MS * 1000000L};
        struct pollfd wakes[2] = {
            {.fd = s->terminal != NULL ? terminal_descriptor(s->terminal) : -1,
             .events =
                 (short)(s->terminal != NULL && terminal_waiting(s->terminal) ? POLLIN | POLLOUT : POLLIN)},
            {.fd = s->options.hands && !s->hands_gone ? STDIN_FILENO : -1, .events = POLLIN}};
        if (ppoll(wakes, 2, &wait, &unblocked) > 0 && wakes[1].revents != 0) {
            const enum err_code said = take_hands(s, e);
            if (said != ERR_OK)
                return said;
        }
    }
    return ERR_OK;
}

static enum err_code read_feeders(const struct options *o, struct model_parameters *feeders, size_t *count,
                                  struct err *e)
{
    if (o->feeder_count == 0) {
        feeders[0] = model_default();
        *count = 1;
        return ERR_OK;
    }
    for (size_t i = 0; i < o->feeder_count; i++) {
        const enum err_code code = feeder_file_read(o->feeders[i], &feeders[i], e);
        if (code != ERR_OK)
            return code;
    }
    *count = o->feeder_count;
    return feeder_file_check_together(feeders, o->feeder_count, e);
}

static enum err_code run_pair(const struct options *o, const struct model_parameters *feeders, size_t count,
                              struct err *e)
{
    const struct pair_serve_order order = {.plan = o->pair_plan,
                                           .seed = (uint64_t)o->seed,
                                           .feeders = feeders,
                                           .feeder_count = count,
                                           .link = o->link,
                                           .log = o->log,
                                           .hands = o->hands,
                                           .stop_asked = &stop_asked};
    struct sigaction action = {.sa_handler = on_signal};
    sigemptyset(&action.sa_mask);
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGTERM, &action, NULL);
    return pair_serve(&order, e);
}

static enum err_code run(struct server *s, struct err *e)
{
    static struct model_parameters feeders[FEEDERS_MAX];
    const struct options *o = &s->options;
    const struct faulty_rig_ends ends = {s, send_burst, plug, {s, happened, sampled}};
    struct timespec started;
    enum err_code code = read_feeders(o, feeders, &s->setup.feeder_count, e);
    if (code != ERR_OK)
        return code;
    if (o->pair)
        return run_pair(o, feeders, s->setup.feeder_count, e);
    /* Another number at each start; the clock outside is as good as a counter in flash memory. */
    clock_gettime(CLOCK_REALTIME, &started);
    s->setup.boot = (uint32_t)(started.tv_sec * 1000 + started.tv_nsec / 1000000);
    s->setup.seed = (uint64_t)o->seed;
    s->setup.time_scale_milli = (uint32_t)lround(o->speedup * 1000);
    s->setup.rate_max_millihertz = (uint32_t)lround(o->rate_max_hz * 1000);
    s->setup.protocol_major = (uint8_t)o->protocol_major;
    s->setup.serial = o->serial;
    s->setup.feeders = feeders;
    s->buffer_bytes = (size_t)fmin(BUFFER_BYTES * o->speedup, BUFFER_BYTES_MAX);
    s->pace = pace_start(outside_us(), s->setup.time_scale_milli, o->faults.clock_ppm);
    s->last_byte_us = s->pace.outside_us;
    code = rig_log_open(o->log, o->samples, &s->log, e);
    if (code != ERR_OK)
        return code;
    rig_log_look(s->log, (const int64_t[]){0, 0}, (const int64_t[]){s->pace.outside_us, s->pace.outside_us});
    s->faulty = faulty_rig_new(&s->setup, &o->faults, &ends);
    if (s->faulty == NULL)
        return err_set(e, ERR_MEMORY, "no memory for the rig");
    s->rig = faulty_rig_state(s->faulty);
    code = write_truth(s, e);
    if (code == ERR_OK)
        code = open_port(s, e);
    if (code != ERR_OK)
        return code;
    printf("%s\n", terminal_path(s->terminal));
    if (fflush(stdout) != 0)
        return err_set(e, ERR_SYSTEM, "cannot write to standard output: %s", strerror(errno));
    code = serve(s, e);
    if (code == ERR_OK && s->truth_failed)
        code = write_truth(s, e); /* the last chance; ERR_SYSTEM if it is still refused */
    return code;
}

const char *argp_program_version = "nipbench-rig " NIPBENCH_VERSION;

int main(int count, char **arguments)
{
    static struct server server = {.options = {.seed = 1,
                                               .speedup = 1,
                                               .rate_max_hz = 100000,
                                               .protocol_major = WIRE_PROTOCOL_MAJOR,
                                               .serial = "SIMULATED"}};
    static const struct argp argp = {option_table, take_option, NULL, documentation, NULL, NULL, NULL};
    struct err e;
    argp_err_exit_status = EXIT_WRONG_USE;
    server.options.pair_plan = pair_plan_default();
    argp_parse(&argp, count, arguments, 0, NULL, &server.options);
    struct err log_error;
    enum err_code code = run(&server, &e);
    terminal_close(server.terminal);
    faulty_rig_free(server.faulty);
    const enum err_code log_code = rig_log_close(server.log, &log_error);
    if (code == ERR_OK && log_code != ERR_OK) {
        code = log_code;
        e = log_error;
    }
    if (code != ERR_OK)
        complain(&e);
    return err_exit_status(code);
}
