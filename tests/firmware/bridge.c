/* The firmware's own binary, at the pace of the clock on the wall, on a pseudo-terminal, with the simulated
 * feeder of rig/model behind its pins.
 *
 *     bridge FEEDER.yaml SPEED_MM_S TRUTH.json
 *
 * The first line on standard output is the path to open as the port. TRUTH.json tells, at the end of each
 * armed run that moved, what the model knows of a push at that speed. Ends by SIGINT or SIGTERM; exit status
 * 0, or 3 for a bad feeder file, 5 when the system or the chip fails. */
#include "rig/model/model.h"
#include "rig/simulator/feeder_file.h"
#include "rig/simulator/terminal.h"
#include "tests/firmware/chip.h"

#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#define QUANTUM_MS 1u
#define LATE_MOST_NS                                                                                         \
    20000000 /* when the machine is slower than that, the chip's time falls back and does not hurry */
#define STEP_MOST_CYCLES CHIP_MS(50) /* a step after a longer rest is the first of a ramp */
#define SECOND_NS        1000000000
#define BUFFER_BYTES     65536u

struct bridge {
    struct chip *chip;
    struct terminal *terminal;
    struct model_parameters feeder;
    struct model_state model;
    double speed_mm_s;
    int64_t commanded;         /* steps since the coils came on */
    int way;                   /* of the last of them: 1, -1; 0: none yet */
    uint64_t step_cycle;       /* when it came */
    uint64_t step_took_cycles; /* since the one before */
    uint64_t model_cycle;
    FILE *truth;
    unsigned runs;
};

static volatile sig_atomic_t ended;

static void on_signal(int number)
{
    (void)number;
    ended = 1;
}

/* The position that the rotor is led to: its inertia, which the model leaves out, takes the steps for an even
 * way. So each step is spread over the time that the one before it took. */
static double smooth_position(const struct bridge *b, uint64_t cycle)
{
    const uint64_t since = cycle - b->step_cycle;
    const double left = since < b->step_took_cycles ? 1 - (double)since / (double)b->step_took_cycles : 0;
    return (double)b->commanded - b->way * left;
}

/* The model goes on to the present position and time. */
static void follow(struct bridge *b, uint64_t cycle)
{
    if (cycle <= b->model_cycle)
        return;
    model_step(&b->feeder, &b->model, smooth_position(b, cycle), (double)(cycle - b->model_cycle) / CHIP_HZ);
    b->model_cycle = cycle;
    chip_turn_encoder(b->chip, model_read_encoder(&b->feeder, &b->model));
}

static void on_byte(void *context, uint64_t cycle, uint8_t byte)
{
    struct bridge *b = context;
    (void)cycle;
    terminal_queue(b->terminal, &byte, 1, 0); /* when no host reads, it is lost as on a real line */
}

static void on_step(void *context, uint64_t cycle, bool forward)
{
    struct bridge *b = context;
    const int way = forward ? 1 : -1;
    b->step_took_cycles = way == b->way ? cycle - b->step_cycle : CHIP_MS(QUANTUM_MS);
    if (b->step_took_cycles > STEP_MOST_CYCLES)
        b->step_took_cycles = STEP_MOST_CYCLES;
    b->step_cycle = cycle;
    b->way = way;
    b->commanded += way;
}

static void tell_truth(struct bridge *b)
{
    const struct model_truth t = model_truth_of_run(&b->feeder, &b->model, b->speed_mm_s);
    fprintf(b->truth, "%s\n {\"stall_force_n\": %.6f, \"limited_by\": \"%s\", \"filament_mm\": %.6f}",
            b->runs++ == 0 ? "" : ",", t.stall_force_n, t.limited_by == MODEL_LIMIT_MOTOR ? "motor" : "grip",
            b->model.filament_mm);
    fflush(b->truth);
}

static void on_coils(void *context, uint64_t cycle, bool on)
{
    struct bridge *b = context;
    follow(b, cycle);
    if (on) {
        model_begin_run(&b->feeder, &b->model, 0);
        b->commanded = 0;
        b->way = 0;
    } else if (b->way != 0) {
        tell_truth(b);
    }
    b->model.coils_on = on;
}

static int32_t on_convert(void *context, uint64_t cycle)
{
    struct bridge *b = context;
    bool over_range;
    follow(b, cycle);
    return model_read_force(&b->feeder, &b->model, &over_range);
}

static int64_t later_ns(const struct timespec *a, const struct timespec *b)
{
    return (int64_t)(b->tv_sec - a->tv_sec) * SECOND_NS + (b->tv_nsec - a->tv_nsec);
}

static enum err_code one_quantum(struct bridge *b, struct err *e)
{
    uint8_t bytes[256];
    size_t length;
    if (terminal_read(b->terminal, bytes, sizeof bytes, &length, e) != ERR_OK)
        return e->code;
    for (size_t i = 0; i < length; i++)
        chip_send(b->chip, bytes[i]);
    if (!chip_run(b->chip, chip_cycle(b->chip) + CHIP_MS(QUANTUM_MS)))
        return err_set(e, ERR_SYSTEM, "the chip has crashed");
    follow(b, chip_cycle(b->chip));
    return terminal_flush(b->terminal, 0, e);
}

static enum err_code serve(struct bridge *b, struct err *e)
{
    struct timespec due, now;
    clock_gettime(CLOCK_MONOTONIC, &due);
    while (!ended) {
        if (one_quantum(b, e) != ERR_OK)
            return e->code;
        due.tv_nsec += QUANTUM_MS * 1000000;
        if (due.tv_nsec >= SECOND_NS) {
            due.tv_nsec -= SECOND_NS;
            due.tv_sec++;
        }
        clock_gettime(CLOCK_MONOTONIC, &now);
        if (later_ns(&due, &now) > LATE_MOST_NS)
            due = now;
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &due, NULL);
    }
    return ERR_OK;
}

int main(int argc, char **argv)
{
    struct bridge b = {0};
    struct err e = {0};
    char words[512];
    char *end;
    if (argc != 4 || (b.speed_mm_s = strtod(argv[2], &end)) <= 0 || *end != '\0') {
        fprintf(stderr, "bridge: FEEDER.yaml SPEED_MM_S TRUTH.json\n");
        return 2;
    }
    signal(SIGINT, on_signal);
    signal(SIGTERM, on_signal);
    b.feeder = model_default();
    if (feeder_file_read(argv[1], &b.feeder, &e) != ERR_OK ||
        terminal_open(BUFFER_BYTES, &b.terminal, &e) != ERR_OK)
        goto out;
    model_mount(&b.feeder, &b.model, 20261128);
    model_begin_run(&b.feeder, &b.model, 0);
    b.truth = fopen(argv[3], "w");
    b.chip = chip_new(FIRMWARE_ELF, &(struct chip_world){&b, on_byte, on_step, on_coils, on_convert});
    if (b.truth == NULL || b.chip == NULL) {
        err_set(&e, ERR_SYSTEM, "cannot open %s", b.truth == NULL ? argv[3] : FIRMWARE_ELF);
        goto out;
    }
    fputs("[", b.truth);
    puts(terminal_path(b.terminal));
    fflush(stdout);
    serve(&b, &e);
    fputs("\n]\n", b.truth);
out:
    if (b.truth != NULL)
        fclose(b.truth);
    chip_free(b.chip);
    terminal_close(b.terminal);
    if (e.code != ERR_OK)
        fprintf(stderr, "bridge: %s\n", err_format(&e, words, sizeof words));
    return err_exit_status(e.code);
}
