#include "capture/plan_new.h"

#include "capture/plan_example.h"

#include <errno.h>
#include <inttypes.h>
#include <string.h>
#include <unistd.h>

/* What the tests of each kind begin with. Speeds, loads and travels are common practice for filament of
 * 1.75 mm and have no source. */
struct example {
    double travel_mm; /* as in the text */
    double longest_s; /* time of its longest push, rounded up; the limit leaves half as much again */
    const char *text;
};

static const struct example EXAMPLES[PLAN_TEST_KINDS] = {
    [PLAN_BLOCKED_PUSH] = {12, 10,
                           "  # Push into a blocked end until the feed stops: how hard does it push,\n"
                           "  # where does the grip begin to slip, and what gave way?\n"
                           "  - test: blocked-push\n"
                           "    speeds_mm_s: [5]        # mm/s; each speed is a push of its own\n"
                           "    travel_mm: 12           # EXAMPLE mm fed in one push, past the stall\n"},
    [PLAN_SPEED_SWEEP] = {14, 10,
                          "  # Blocked pushes on a ladder of speeds: how the push falls with speed.\n"
                          "  - test: speed-sweep\n"
                          "    speeds_mm_s: [2, 5, 10, 25, 50] # mm/s; two at least, five are better\n"
                          "    travel_mm: 14           # EXAMPLE mm fed in one push, past the stall\n"
                          "    acceleration_mm_s2: 2500 # mm/s2; fast speeds are reached before contact\n"},
    [PLAN_FREE_RUN] = {200, 25,
                       "  # Feed with nothing in the way: zero drift, noise, ripple of the feed.\n"
                       "  - test: free-run\n"
                       "    speeds_mm_s: [10]       # mm/s\n"
                       "    travel_mm: 200          # EXAMPLE mm; several turns of the drive gear\n"
                       "    nip_preloads_n: [80]    # EXAMPLE N; may be left out\n"},
    [PLAN_LOADED_FEED] = {20, 10,
                          "  # Feed against a brake on a ladder of loads: how much feed is lost, and\n"
                          "  # the greatest force that still feeds. Needs an encoder on the filament.\n"
                          "  - test: loaded-feed\n"
                          "    speeds_mm_s: [5]        # mm/s\n"
                          "    travel_mm: 20           # EXAMPLE mm; the force must become steady in it\n"
                          "    brake_loads_n: [10, 20, 30, 40, 50] # EXAMPLE N, below the force limit\n"},
    [PLAN_PRELOAD_SWEEP] = {12, 10,
                            "  # Blocked pushes on a ladder of nip preloads: how the grip rises with it.\n"
                            "  - test: preload-sweep\n"
                            "    speeds_mm_s: [5]        # mm/s\n"
                            "    travel_mm: 12           # EXAMPLE mm fed in one push, past the stall\n"
                            "    nip_preloads_n: [20, 30, 40, 60, 80, 100] # EXAMPLE N; five at least\n"},
    [PLAN_REVERSAL] = {1.9, 20,
                       "  # Forward and back below slip onset: lost motion and lost energy.\n"
                       "  - test: reversal\n"
                       "    speeds_mm_s: [1]        # mm/s\n"
                       "    travel_mm: 1.9          # EXAMPLE mm forward; must stay below slip onset\n"
                       "    cycles: 3               # how often forward and back, in one run\n"
                       "    guide_tube_bends_deg: [0, 90] # EXAMPLE degrees in all; 0: no tube\n"},
    [PLAN_MELT_PUSH] = {25, 35,
                        "  # Push into a hot end on a ladder of rates: the force that each takes.\n"
                        "  # Hot ends burn and melts fume: gloves, eye protection, ventilation.\n"
                        "  - test: melt-push\n"
                        "    rates_mm3_s: [2, 4, 8, 12, 16] # mm3/s; four at least for a load line\n"
                        "    travel_mm: 25           # EXAMPLE mm; the force must become steady in it\n"
                        "    hot_end_temperatures_c: [215] # EXAMPLE degrees C, as the material needs\n"},
    [PLAN_ENDURANCE] = {25, 5,
                        "  # One push again and again on the same gear: how the grip fades.\n"
                        "  - test: endurance\n"
                        "    speeds_mm_s: [10]       # mm/s\n"
                        "    travel_mm: 25           # EXAMPLE mm fed in one push\n"
                        "    repeats: 12             # pushes one after another, in each block\n"
                        "    clean_every: 6          # the gear is cleaned before push 7; 0: never\n"},
};

enum err_code plan_new_read_tests(const char *list, struct plan_new *request, struct err *e)
{
    memset(request->tests, 0, sizeof request->tests);
    if (strcmp(list, "all") == 0) {
        for (int i = 0; i < PLAN_TEST_KINDS; i++)
            request->tests[i] = true;
        return ERR_OK;
    }
    for (const char *word = list;; word++) {
        size_t length = strcspn(word, ",");
        int kind = 0;
        while (kind < PLAN_TEST_KINDS &&
               (strlen(PLAN_TEST_NAMES[kind]) != length || memcmp(word, PLAN_TEST_NAMES[kind], length) != 0))
            kind++;
        if (kind == PLAN_TEST_KINDS)
            return err_set(e, ERR_USAGE,
                           "--test: '%.*s' is no test; there are blocked-push, speed-sweep, free-run, "
                           "loaded-feed, preload-sweep, reversal, melt-push and endurance, or all",
                           length > 40 ? 40 : (int)length, word);
        if (request->tests[kind])
            return err_set(e, ERR_USAGE, "--test: %s is there twice", PLAN_TEST_NAMES[kind]);
        request->tests[kind] = true;
        word += length;
        if (*word == 0)
            return ERR_OK;
    }
}

static void write_head(const struct plan_new *request, FILE *out)
{
    fprintf(out,
            "# A plan to start from. All values are invented. On each line that is\n"
            "# marked, after its #, with the word " PLAN_EXAMPLE_WORD ", put what is true of your bench,\n"
            "# then delete that word. Until the last one is gone, `run` refuses this\n"
            "# plan; `nipbench-capture plan check` lists them. Other values are common\n"
            "# practice, without a source: read them, and keep them or not. What you do\n"
            "# not know, delete with its line: what is not stated is reported as such.\n"
            "nipbench_plan: 1            # version of this file's format\n"
            "title: Two feeders compared # EXAMPLE what the series is about, one line\n"
            "description: Which of the two pushes harder? # EXAMPLE one line; optional\n"
            "licence: CC-BY-4.0          # of the data; without one nobody may use them\n"
            "contributors:\n"
            "  - title: A. Person        # EXAMPLE who did the work\n"
            "    role: author\n"
            "bench: bench 1              # EXAMPLE which bench; tells benches apart later\n"
            "operator: A. Person         # EXAMPLE who mounts the feeders and runs\n"
            "simulated: false            # true only for a simulated rig\n"
            "\n"
            "# How often, and in which order.\n"
            "seed: %-21" PRIu64 " # the random order of runs follows from it\n"
            "blocks: 5                   # everything is repeated so often; each feeder\n"
            "                            # is mounted once a block; fewer than 5 see\n"
            "                            # little; `plan check` tells what they can see\n\n",
            request->seed);
}

static void write_rig(double travel_mm, double time_s, FILE *out)
{
    fprintf(out,
            "# The rig.\n"
            "calibration: calibration.json # EXAMPLE file that `calibrate` wrote, from\n"
            "                            # the folder of this plan\n"
            "calibration_max_age_days: 90 # days; an older one is refused\n"
            "zero_drift_limit_n: 0.3     # N; a run whose zero moved more is flagged\n"
            "rest_before_s: 1            # s at rest before each push: the zero\n"
            "rest_after_s: 1             # s at rest after it\n"
            "sampling:\n"
            "  rate_hz: 1000             # samples a second\n"
            "# Limits of any push: rig and host keep them. They are a help and NOT a\n"
            "# safety function: have an emergency stop that cuts motor power in hardware.\n"
            "limits:\n"
            "  force_n: 120              # EXAMPLE N; above any push, below what load\n"
            "                            # cell, fixture and filament bear\n"
            "  travel_mm: %-14g # EXAMPLE mm; what the fixture has room for\n"
            "  time_s: %-17g # s; longer than the longest push\n\n"
            "# What no run measures: your judgement. It goes into every uncertainty.\n"
            "estimates:\n"
            "  load_axis_alignment_deg: 1 # degrees off the cell's axis, at most\n"
            "  load_cell_creep_percent: 0.03 # %% of the force; the cell's data sheet\n"
            "  drive_gear_runout_mm: 0.02 # mm; standard uncertainty of its radius\n\n",
            travel_mm, time_s);
}

static void write_conditions(const struct plan_new *request, FILE *out)
{
    fputs("# Conditions of all feeders: state what you know. Feeders are compared only\n"
          "# where these agree within the tolerances below.\n"
          "conditions:\n"
          "  filament_lot: lot 1       # EXAMPLE what the spool says\n"
          "  filament_material: PETG   # EXAMPLE\n"
          "  filament_diameter_mm: 1.75 # EXAMPLE mm; measured, mean of several places\n"
          "  filament_hardness_shore_d: 76 # EXAMPLE Shore D; data sheet\n"
          "  filament_modulus_mpa: 2100 # EXAMPLE MPa, Young's modulus: for buckling\n"
          "  nip_preload_n: 80         # EXAMPLE N; force that presses the idler on\n"
          "  motor: motor 1            # EXAMPLE which motor\n"
          "  motor_current_a: 0.6      # EXAMPLE A; as the driver is set\n"
          "  supply_voltage_v: 24      # EXAMPLE V\n"
          "  free_length_mm: 10        # EXAMPLE mm of filament from nip to end; a\n"
          "                            # long one buckles\n"
          "  blocked_end: spring pad   # EXAMPLE what the filament is pushed against\n"
          "  load_cell_seat: end       # EXAMPLE feeder or end: what the cell carries\n",
          out);
    if (request->tests[PLAN_REVERSAL])
        fputs("  guide_tube: tube 1        # EXAMPLE which guide tube\n", out);
    if (request->tests[PLAN_LOADED_FEED] || request->tests[PLAN_FREE_RUN] || request->tests[PLAN_REVERSAL])
        fputs("  encoder_seat: feeder      # EXAMPLE feeder or end; delete without one\n", out);
    if (request->tests[PLAN_MELT_PUSH])
        fputs("  hot_end: hot end 1        # EXAMPLE hot end and nozzle\n", out);
    fputs("# What changes from day to day: `run` asks for it, and Enter keeps the last.\n"
          "ask: [ambient_temperature_c, humidity_percent]\n"
          "tolerances:                 # how far apart still counts as the same\n"
          "  nip_preload_n: 2          # N\n"
          "  ambient_temperature_c: 3  # degrees C\n"
          "  humidity_percent: 15      # %\n\n",
          out);
}

static void write_feeders(const struct plan_new *request, FILE *out)
{
    bool pushes = request->tests[PLAN_BLOCKED_PUSH] || request->tests[PLAN_SPEED_SWEEP];
    fputs("# The smallest difference that matters to you: feeders shown to differ by\n"
          "# less are called equivalent.\n",
          out);
    if (pushes)
        fputs("differences_that_matter:\n"
              "  stall_force_n: 5          # EXAMPLE N\n\n",
              out);
    else
        fputs("# differences_that_matter: {quantity_of_results_json: 5}\n\n", out);
    fputs("# 1 to 12 feeders. A second one makes it a comparison.\n"
          "feeders:\n"
          "  - name: feeder-a          # EXAMPLE small letters, digits, hyphens\n"
          "    description: 8 mm gear  # EXAMPLE one line; shown when it is mounted\n"
          "    drive_diameter_mm: 8    # EXAMPLE mm; effective, as `measure-feed` found\n"
          "    teeth: 26               # EXAMPLE of the drive gear; 0: not known\n"
          "    reduction: 1            # EXAMPLE motor turns to one of the drive gear\n"
          "    full_steps_per_rev: 200 # EXAMPLE of the motor\n"
          "    microsteps: 16          # EXAMPLE of the driver, to a full step\n"
          "  - name: feeder-b          # EXAMPLE\n"
          "    description: 12 mm gear # EXAMPLE\n"
          "    drive_diameter_mm: 12   # EXAMPLE mm\n"
          "    teeth: 40               # EXAMPLE\n"
          "    reduction: 1            # EXAMPLE\n"
          "    full_steps_per_rev: 200 # EXAMPLE\n"
          "    microsteps: 16          # EXAMPLE\n"
          "    # conditions: {motor_current_a: 0.8} # of this feeder alone, if any\n\n",
          out);
}

void plan_new_write(const struct plan_new *request, FILE *out)
{
    double travel_mm = 0, longest_s = 0;
    for (int i = 0; i < PLAN_TEST_KINDS; i++) {
        if (request->tests[i] && EXAMPLES[i].travel_mm > travel_mm)
            travel_mm = EXAMPLES[i].travel_mm;
        if (request->tests[i] && EXAMPLES[i].longest_s > longest_s)
            longest_s = EXAMPLES[i].longest_s;
    }
    write_head(request, out);
    write_rig(travel_mm * 1.25, longest_s * 1.5, out);
    write_conditions(request, out);
    write_feeders(request, out);
    fputs("# What is done with each feeder in each block. Ladders, [a, b, ...], are all\n"
          "# crossed. Other kinds of test: `plan new --help`.\n"
          "tests:\n",
          out);
    for (int i = 0; i < PLAN_TEST_KINDS; i++) {
        if (request->tests[i])
            fputs(EXAMPLES[i].text, out);
    }
    fputs("end: true                   # stays the last line: shows that the file is whole\n", out);
}

enum err_code plan_new_write_file(const struct plan_new *request, const char *path, struct err *e)
{
    FILE *out = fopen(path, "wxe");
    bool failed;
    if (out == NULL && errno == EEXIST)
        return err_set_at(e, ERR_USAGE, path, 0, 0,
                          "is there already; choose another name (nothing was changed)");
    if (out == NULL)
        return err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be written: %s", strerror(errno));
    plan_new_write(request, out);
    failed = fflush(out) != 0 || ferror(out) != 0 || fsync(fileno(out)) != 0;
    if (fclose(out) != 0 || failed) {
        int why = errno;
        unlink(path);
        return err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be written: %s", strerror(why));
    }
    return ERR_OK;
}
