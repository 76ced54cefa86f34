/* plan_check_write_text of plan_check.h. */
#include "capture/plan_check.h"

#include "capture/condition_ask.h"
#include "capture/seen_difference.h"
#include "capture/text_fill.h"

#include <math.h>
#include <stdarg.h>
#include <string.h>

#define WIDTH       79
#define NUMBER_SIZE PLAN_CHECK_NUMBER_SIZE

/* A paragraph that begins with lead, as it stands, and whose other lines are indented by rest columns. */
static void fill(FILE *out, const char *lead, int rest, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

static void fill(FILE *out, const char *lead, int rest, const char *format, ...)
{
    char text[2048];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    text_fill(out, lead, rest, WIDTH, err_clean_text(text));
    fputc('\n', out);
}

/* "3 h 5 min", "3 min 20 s", "12.4 s". */
static const char *duration(double s, char buffer[NUMBER_SIZE])
{
    long whole = lround(s), minutes = lround(s / 60);
    if (s < 59.95)
        snprintf(buffer, NUMBER_SIZE, "%.3g s", s);
    else if (whole < 3600 && whole % 60 != 0)
        snprintf(buffer, NUMBER_SIZE, "%ld min %ld s", whole / 60, whole % 60);
    else if (whole < 3600)
        snprintf(buffer, NUMBER_SIZE, "%ld min", whole / 60);
    else
        snprintf(buffer, NUMBER_SIZE, "%ld h %ld min", minutes / 60, minutes % 60);
    return buffer;
}

/* The same to the minute, for what rests on assumptions. */
static const char *about(double s, char buffer[NUMBER_SIZE])
{
    long minutes = lround(s / 60);
    if (s < 59.95)
        return duration(s, buffer);
    if (minutes < 60)
        snprintf(buffer, NUMBER_SIZE, "%ld min", minutes);
    else
        snprintf(buffer, NUMBER_SIZE, "%ld h %ld min", minutes / 60, minutes % 60);
    return buffer;
}

static const char *disk(double bytes, char buffer[NUMBER_SIZE])
{
    if (bytes < 1e6)
        snprintf(buffer, NUMBER_SIZE, "%.0f kB", bytes / 1e3);
    else if (bytes < 1e9)
        snprintf(buffer, NUMBER_SIZE, bytes < 1e7 ? "%.2g MB" : "%.0f MB", bytes / 1e6);
    else
        snprintf(buffer, NUMBER_SIZE, "%.3g GB", bytes / 1e9);
    return buffer;
}

static const char *plural(size_t count)
{
    return count == 1 ? "" : "s";
}

static double all_feed_mm(const struct plan_check *check)
{
    double feed_mm = 0;
    for (size_t i = 0; i < check->plan.feeder_count; i++)
        feed_mm += check->time.feed_mm[i];
    return feed_mm;
}

static void put_lines(const char *heading, const struct plan_check_lines *lines, FILE *out)
{
    if (lines->count == 0)
        return;
    fprintf(out, "\n%s\n", heading);
    for (size_t i = 0; i < lines->count && i < PLAN_CHECK_LINES_MAX; i++)
        fill(out, "  ", 4, "- %s", lines->text[i]);
    if (lines->count > PLAN_CHECK_LINES_MAX)
        fprintf(out, "  - and %zu more\n", lines->count - PLAN_CHECK_LINES_MAX);
}

static void put_verdict(const struct plan_check *check, FILE *out)
{
    char buffer[NUMBER_SIZE], metres[NUMBER_SIZE];
    fill(out, "", 0, "%s: %s", check->request.path, check->plan.title);
    fputc('\n', out);
    if (check->example.count > 0)
        fill(out, "", 0,
             "This plan is still the example: %zu line%s hold%s invented values, and `run` refuses it.",
             check->example.count, plural(check->example.count), check->example.count == 1 ? "s" : "");
    else if (check->no.count > 0)
        fill(out, "", 0, "This plan cannot answer what it asks. It can be carried out, but see below.");
    else if (check->warnings.count > 0)
        fill(out, "", 0, "This plan can answer, but see the warning%s below.", plural(check->warnings.count));
    else
        fill(out, "", 0, "Nothing speaks against this plan.");
    fill(out, "", 0, "It makes %zu run%s, takes about %s and feeds up to %s m of filament.%s", check->runs,
         plural(check->runs), about(check->time.rig_s + plan_check_hands_s(check), buffer),
         plan_check_number(all_feed_mm(check) / 1000, metres),
         check->plan.simulated ? " Its data will be marked as simulated." : "");
}

static void put_example(const struct plan_check *check, FILE *out)
{
    size_t count = check->example.count;
    if (count == 0)
        return;
    fprintf(out, "\nStill the example\n");
    fill(out, "  ", 2,
         "Put your own value into each of these lines, then delete the word " PLAN_EXAMPLE_WORD
         " in it. What you do not know, delete with its line.");
    for (size_t i = 0; i < count && i < PLAN_EXAMPLE_LINES_MAX; i++) {
        char lead[NUMBER_SIZE];
        snprintf(lead, sizeof lead, "  line %3zu  ", check->example.lines[i].number);
        fill(out, lead, 12, "%s", check->example.lines[i].text);
    }
}

/* "5, 20 and 40". */
static size_t add_ladder(char *text, size_t size, const char *before, const double *ladder, size_t count,
                         const char *unit)
{
    size_t used = (size_t)snprintf(text, size, "%s", before);
    for (size_t i = 0; i < count && used < size; i++)
        used += (size_t)snprintf(text + used, size - used, "%s%g",
                                 i == 0           ? ""
                                 : i + 1 == count ? " and "
                                                  : ", ",
                                 ladder[i]);
    if (used < size)
        used += (size_t)snprintf(text + used, size - used, " %s", unit);
    return used < size ? used : size - 1;
}

static void put_test(const struct plan_test *t, FILE *out)
{
    static const char *const ENDS[PLAN_ENDS] = {"against a blocked end", "with nothing in the way",
                                                "against a brake", "into a hot end"};
    char text[1800];
    size_t size = sizeof text, used;
    size_t pushes = plan_test_pushes(t);
    used = (size_t)snprintf(text, size, "%s: %s, %g mm of feed%s", PLAN_TEST_NAMES[t->kind],
                            ENDS[plan_end_of(t->kind)], t->travel_mm,
                            t->kind == PLAN_REVERSAL ? " forward and as far back" : " each");
    if (t->kind == PLAN_MELT_PUSH)
        used += add_ladder(text + used, size - used, ", at ", t->rates_mm3_s, t->rate_count, "mm3/s");
    else
        used += add_ladder(text + used, size - used, ", at ", t->speeds_mm_s, t->speed_count, "mm/s");
    if (t->brake_load_count > 0)
        used += add_ladder(text + used, size - used, ", brake loads of ", t->brake_loads_n,
                           t->brake_load_count, "N");
    if (t->nip_preload_count > 0)
        used += add_ladder(text + used, size - used, ", nip preloads of ", t->nip_preloads_n,
                           t->nip_preload_count, "N");
    if (t->hot_end_temperature_count > 0)
        used +=
            add_ladder(text + used, size - used, ", ", t->hot_end_temperatures_c,
                       t->hot_end_temperature_count, CONDITION_KINDS[CONDITION_HOT_END_TEMPERATURE_C].symbol);
    if (t->guide_tube_bend_count > 0)
        used += add_ladder(text + used, size - used, ", guide tube bent by ", t->guide_tube_bends_deg,
                           t->guide_tube_bend_count, "degrees (0: no tube)");
    if (t->kind == PLAN_REVERSAL)
        used += (size_t)snprintf(text + used, size - used, ", %d time%s in one run", t->cycles,
                                 plural((size_t)t->cycles));
    if (t->kind == PLAN_ENDURANCE && t->clean_every > 0)
        used += (size_t)snprintf(text + used, size - used, ", the gear cleaned after every %d pushes",
                                 t->clean_every);
    fill(out, "  ", 4, "%.*s: %zu run%s with each feeder in each block.", (int)used, text, pushes,
         plural(pushes));
}

static void put_series(const struct plan_check *check, FILE *out)
{
    const struct plan *p = &check->plan;
    fprintf(out, "\nWhat it does\n");
    fill(out, "  ", 2,
         "%zu feeder%s, %zu test%s, %d block%s: %zu run%s. A block holds every run of every feeder once.",
         p->feeder_count, plural(p->feeder_count), p->test_count, plural(p->test_count), p->blocks,
         plural((size_t)p->blocks), check->runs, plural(check->runs));
    for (size_t i = 0; i < p->feeder_count; i++) {
        const struct plan_feeder *f = &p->feeders[i];
        fill(out, "  ", 4, "%s: drive gear of %g mm%s%s", f->name, f->drive_diameter_mm,
             f->description[0] != 0 ? "; " : "", f->description);
    }
    for (size_t i = 0; i < p->test_count; i++)
        put_test(&p->tests[i], out);
    fill(out, "  ", 2,
         "The order is random and follows from the seed, %llu, alone: block by block, in each the feeders in "
         "random "
         "order, and with each feeder its runs in random order; what meets the same end by the same guide "
         "tube, "
         "at the same temperature, stays together%s. --order lists it.",
         (unsigned long long)p->seed,
         check->order[check->runs - 1].repeat > 0 ? "; endurance comes last, push by push" : "");
}

/* The conditions that `run` asks for: those of the room when it begins, or those of what is mounted. */
static void put_conditions(const struct plan *p, bool of_feeder, const char *when, FILE *out)
{
    struct condition_ask ask;
    char text[1500] = "";
    size_t used = 0;
    condition_ask_begin(&ask, p);
    for (size_t i = 0; i < p->ask_count && used < sizeof text; i++) {
        if (condition_ask_is_of_feeder(&ask, p->ask[i]) == of_feeder)
            used += (size_t)snprintf(text + used, sizeof text - used, "%s%s", used > 0 ? ", " : "",
                                     CONDITION_KINDS[p->ask[i]].label);
    }
    if (used > 0)
        fill(out, "  ", 2, "%s it asks for: %s.", when, text);
}

static void put_asked(const struct plan_check *check, FILE *out)
{
    const struct plan_time *t = &check->time;
    int stops = t->mountings + t->changes;
    fprintf(out, "\nWhat the operator is asked to do\n");
    for (size_t i = 0; i < check->asked_count; i++) {
        char lead[NUMBER_SIZE];
        snprintf(lead, sizeof lead, "  %4d x  ", check->asked[i].times);
        fill(out, lead, 11, "%s", check->asked[i].what);
    }
    if (check->asked_count == PLAN_CHECK_ASKED_MAX)
        fprintf(out, "         and more of the kind\n");
    fill(out, "  ", 2,
         "`run` stops %d time%s for it and waits for Enter: %d with a feeder to be mounted, %d with another "
         "change alone.",
         stops, plural((size_t)stops), t->mountings, t->changes);
    put_conditions(&check->plan, false, "When it begins", out);
    put_conditions(&check->plan, true, "At each mounting", out);
}

static void put_time(const struct plan_check *check, FILE *out)
{
    char buffer[NUMBER_SIZE], each[NUMBER_SIZE];
    const struct plan_time *t = &check->time;
    double mount_s = 60 * check->request.mount_minutes, change_s = 60 * check->request.change_minutes;
    double moving_s = t->rig_s - (double)check->runs * (check->plan.rest_before_s + check->plan.rest_after_s);
    fprintf(out, "\nHow long it takes\n");
    fprintf(out, "  moving           %s\n", duration(moving_s, buffer));
    fprintf(out, "  at rest          %s (the zero, before and after each run)\n",
            duration(t->rig_s - moving_s, buffer));
    fprintf(out, "  mounting         %s (", about(t->mountings * mount_s, buffer));
    fprintf(out, "%d times, assumed: %s each)\n", t->mountings, duration(mount_s, each));
    if (t->changes > 0) {
        fprintf(out, "  other changes    %s (", about(t->changes * change_s, buffer));
        fprintf(out, "%d times, assumed: %s each)\n", t->changes, duration(change_s, each));
    }
    fprintf(out, "  in all           about %s\n", about(t->rig_s + plan_check_hands_s(check), buffer));
    fill(out, "  ", 2,
         "Moving and rest follow from the plan, and the rig keeps them. What hands need is assumed: "
         "--mount-minutes and --change-minutes say it better. Runs that end at a limit take less.");
}

/* "350 mm, 1.07 g", from a metre on "1.35 m"; into a buffer of twice the size of a number. */
static const char *amount(double feed_mm, double feed_g, char buffer[2 * NUMBER_SIZE])
{
    char length[NUMBER_SIZE], g[NUMBER_SIZE];
    bool weighed = !isnan(feed_g), metres = feed_mm >= 1000;
    snprintf(buffer, 2 * NUMBER_SIZE, "%.24s %s%s%.24s%s",
             plan_check_number(metres ? feed_mm / 1000 : feed_mm, length), metres ? "m" : "mm",
             weighed ? ", " : "", weighed ? plan_check_number(feed_g, g) : "", weighed ? " g" : "");
    return buffer;
}

static void put_filament(const struct plan_check *check, FILE *out)
{
    const struct plan *p = &check->plan;
    double all_g = 0;
    char buffer[2 * NUMBER_SIZE], number[NUMBER_SIZE];
    fprintf(out, "\nHow much filament and disk\n");
    for (size_t i = 0; i < p->feeder_count; i++) {
        double g = plan_check_feed_g(check, i);
        all_g += g;
        fill(out, "  ", 4, "%s: %s", p->feeders[i].name, amount(check->time.feed_mm[i], g, buffer));
    }
    if (p->feeder_count > 1)
        fprintf(out, "  in all: %s\n", amount(all_feed_mm(check), all_g, buffer));
    fill(out, "  ", 2,
         "That is what is commanded: what is blocked, slips or stalls feeds less. What is cut off at each "
         "mounting "
         "comes on top.%s",
         isnan(check->request.density_g_cm3) ? " With --density G_CM3 it is weighed, too."
         : isnan(all_g) ? " Without filament_diameter_mm of every feeder it cannot be weighed."
                        : "");
    if (check->rows < 1e6)
        fill(out, "  ", 2, "The series takes about %s of disk, for %.0f samples.",
             disk(check->disk_bytes, buffer), check->rows);
    else
        fill(out, "  ", 2, "The series takes about %s of disk, for %s million samples.",
             disk(check->disk_bytes, buffer), plan_check_number(check->rows / 1e6, number));
}

static void put_limits(const struct plan_check *check, FILE *out)
{
    const struct plan *p = &check->plan;
    char buffer[NUMBER_SIZE], limit[NUMBER_SIZE];
    fprintf(out, "\nWhich limits hold\n");
    fprintf(out, "  force    %g N\n", p->force_limit_n);
    fprintf(out, "  travel   %g mm (the longest run feeds %g mm)\n", p->travel_limit_mm, check->longest_mm);
    fprintf(out, "  time     %s (", duration(p->time_limit_s, limit));
    fprintf(out, "the longest run moves for %s)\n", duration(check->longest_s, buffer));
    fill(out, "  ", 2,
         "Rig and host both keep them, for every run. A run that meets one has no stall force: it is "
         "reported as "
         "\"at least\". They are a help and not a safety function: have an emergency stop that cuts motor "
         "power in hardware.");
}

/* What more blocks would see. */
static void put_more_blocks(const struct plan_check *check, FILE *out)
{
    static const int LADDER[] = {3, 5, 8, 12, 20, 40};
    char text[300] = "";
    size_t used = 0;
    for (size_t i = 0; i < sizeof LADDER / sizeof LADDER[0]; i++) {
        if (LADDER[i] > check->plan.blocks)
            used += (size_t)snprintf(text + used, sizeof text - used, "%s%d: %.2g", used > 0 ? ", " : "",
                                     LADDER[i], seen_difference(check->seen.feeders, LADDER[i]));
    }
    if (used > 0)
        fill(out, "  ", 2, "With more blocks it is, in times the scatter: %s.", text);
}

static void put_matters(const struct plan_check *check, FILE *out)
{
    const struct plan_check_seen *seen = &check->seen;
    char number[NUMBER_SIZE];
    for (size_t i = 0; i < seen->matter_count; i++)
        fill(out, "  ", 2,
             "%s: the plan says that %g N matter. This design sees that where the scatter is %s N or "
             "less%s.",
             seen->matters[i].quantity, seen->matters[i].difference_n,
             plan_check_number(seen->matters[i].scatter_most_n, number),
             isnan(seen->difference_n)                             ? ""
             : seen->difference_n <= seen->matters[i].difference_n ? ": it does"
                                                                   : ": it does not");
}

static void put_seen(const struct plan_check *check, FILE *out)
{
    const struct plan_check_seen *seen = &check->seen;
    char number[NUMBER_SIZE];
    fprintf(out, "\nWhich difference it can see\n");
    if (check->plan.feeder_count == 1) {
        fill(out, "  ", 2, "There is one feeder, and nothing is compared.");
        return;
    }
    if (seen->values == 0) {
        fill(out, "  ", 2,
             "Nobody can tell beforehand: only blocked-push and speed-sweep give a value for each push. What "
             "the tests of this plan give is compared by its uncertainty, which a pilot shows.");
        return;
    }
    if (isnan(seen->ratio)) {
        fill(out, "  ", 2, "None; why, stands above.");
        return;
    }
    fill(out, "  ", 2,
         "With %d feeders in %d blocks, a difference between two feeders of %.3g times the scatter is found "
         "in 80 of 100 "
         "such series; smaller ones less often. The scatter is the standard deviation of one feeder's value "
         "(its "
         "stall force, say) from block to block, without what all feeders of a block share. Where there is "
         "no difference, one is claimed in 5 of 100 such series at most%s.",
         seen->feeders, check->plan.blocks, seen->ratio,
         seen->feeders > 2 ? ", all pairs of feeders together" : "");
    if (!isnan(seen->difference_n))
        fill(out, "  ", 2, "At a scatter of %g N, as stated by --scatter, that is %s N.",
             check->request.scatter_n, plan_check_number(seen->difference_n, number));
    fill(out, "  ", 2,
         "How large the scatter is, only a pilot shows: run some blocks, and `nipbench-analyze repeats "
         "PILOT` gives it%s.",
         isnan(seen->difference_n) ? "; --scatter N puts it in here" : "");
    put_matters(check, out);
    put_more_blocks(check, out);
    if (seen->values > 1)
        fill(out, "  ", 2,
             "This plan asks up to %d such questions (stall force and slip onset, at each speed). Where they "
             "are judged "
             "together, a difference must be somewhat larger.",
             seen->values);
}

static void put_order(const struct plan_check *check, FILE *out)
{
    const struct plan *p = &check->plan;
    size_t widest = 0;
    for (size_t i = 0; i < p->feeder_count; i++)
        widest = strlen(p->feeders[i].name) > widest ? strlen(p->feeders[i].name) : widest;
    fprintf(out, "\nThe order\n   run  block\n");
    for (size_t i = 0; i < check->runs; i++) {
        const struct plan_run *run = &check->order[i];
        char settings[300], lead[120];
        plan_check_settings(check, run, settings, sizeof settings);
        snprintf(lead, sizeof lead, "  %4d  %5d  %-*s  ", run->number, run->block, (int)widest,
                 p->feeders[run->feeder].name);
        fill(out, lead, 17, "%s %.4g mm/s%s%s", PLAN_TEST_NAMES[p->tests[run->test].kind], run->speed_mm_s,
             settings[0] != 0 ? ", " : "", settings);
    }
}

void plan_check_write_text(const struct plan_check *check, bool with_order, FILE *out)
{
    put_verdict(check, out);
    put_example(check, out);
    put_lines("Why it cannot answer", &check->no, out);
    put_lines("Warnings", &check->warnings, out);
    put_lines("Before it runs", &check->before, out);
    put_series(check, out);
    put_asked(check, out);
    put_time(check, out);
    put_filament(check, out);
    put_limits(check, out);
    put_seen(check, out);
    if (with_order)
        put_order(check, out);
}
