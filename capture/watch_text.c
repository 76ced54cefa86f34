#include "capture/watch_text.h"

#include "rig/wire/message.h"

#include <inttypes.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define LABEL_COLUMNS 10 /* of a picture */
#define COLUMNS_WIDE  60 /* below it numbers and words are shorter */
#define HEIGHTS       8

static const char *const ASCII_HEIGHTS[HEIGHTS] = {"_", ".", ":", "-", "=", "+", "*", "#"};
static const char *const BLOCK_HEIGHTS[HEIGHTS] = {"▁", "▂", "▃", "▄", "▅", "▆", "▇", "█"};

static const struct {
    unsigned flag;
    const char *words;
} FLAGS[] = {{WIRE_FLAG_OVER_RANGE, "over range"},
             {WIRE_FLAG_DRIVER_FAULT, "driver fault"},
             {WIRE_FLAG_LIMIT_SWITCH, "limit switch"},
             {WIRE_FLAG_EMERGENCY_STOP, "emergency stop"}};
#define FLAG_COUNT (sizeof FLAGS / sizeof FLAGS[0])

static void add(char *text, size_t size, const char *format, ...) __attribute__((format(printf, 3, 4)));

/* Put more behind what text holds; what does not fit is cut off. */
static void add(char *text, size_t size, const char *format, ...)
{
    size_t used = strlen(text);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text + used, size - used, format, arguments);
    va_end(arguments);
}

/* Without the sign of a number that is shown as zero. */
static double without_minus_zero(double value, int digits)
{
    return fabs(value) < 0.5 * pow(10, -digits) ? 0 : value;
}

static const char *unit_of(const struct watch_reading *r)
{
    return r->in_newtons ? "N" : "counts";
}

static int force_digits(const struct watch_reading *r)
{
    return r->in_newtons ? 3 : 0;
}

static int scatter_digits(const struct watch_reading *r)
{
    return r->in_newtons ? 3 : 1;
}

static void add_flags(const struct watch_reading *r, char *text, size_t size)
{
    const char *between = "";
    for (size_t i = 0; i < FLAG_COUNT; i++) {
        if ((r->flags & FLAGS[i].flag) == 0)
            continue;
        add(text, size, "%s%s", between, FLAGS[i].words);
        between = ", ";
    }
    if (between[0] == 0)
        add(text, size, "none");
}

/* The frequencies that the sample rate does not let be seen: "60, 100, 120 Hz". Returns how many. */
static int name_unseen(const struct watch_reading *r, char *text, size_t size)
{
    int count = 0;
    text[0] = 0;
    for (int i = 0; i < WATCH_SUMS_MAINS_COUNT; i++) {
        if (!r->pickup_can_be_seen[i])
            add(text, size, "%s%g", count++ > 0 ? ", " : "", watch_sums_mains_hz[i]);
    }
    add(text, size, " Hz");
    return count;
}

/* ---- the table ---- */

/* Columns between the time and the flags; force in the unit of the readings. */
static void add_cell(char *line, size_t size, int width, int digits, double value)
{
    if (isnan(value))
        add(line, size, " %*s", width, "-");
    else
        add(line, size, " %*.*f", width, digits, without_minus_zero(value, digits));
}

void watch_text_header(const struct watch_reading *r, char *line, size_t size)
{
    const char *unit = r->in_newtons ? "n" : "counts";
    char names[3][32];
    snprintf(names[0], sizeof names[0], "force_%s", unit);
    snprintf(names[1], sizeof names[1], "noise_%s", unit);
    snprintf(names[2], sizeof names[2], "mains_%s", unit);
    snprintf(line, size, "%8s %12s %12s %12s %8s %11s %10s %13s %10s %9s %9s  %s", "time_s", names[0],
             names[1], names[2], "mains_hz", "feed_steps", "feed_mm", "encoder", "slip_mm", "rate_hz",
             "missing", "flags");
}

void watch_text_row(const struct watch_reading *r, char *line, size_t size)
{
    bool seen = r->pickup_state == WATCH_PICKUP_SEEN;
    line[0] = 0;
    add(line, size, "%8.1f", r->time_s);
    add_cell(line, size, 12, force_digits(r), r->force);
    add_cell(line, size, 12, scatter_digits(r), r->noise);
    add_cell(line, size, 12, scatter_digits(r), seen ? r->pickup : NAN);
    add_cell(line, size, 8, 0, seen ? r->pickup_hz : NAN);
    add_cell(line, size, 11, 0, r->commanded_steps);
    add_cell(line, size, 10, 3, r->commanded_mm);
    add_cell(line, size, 13, 0, r->has_encoder ? (double)r->encoder_counts : NAN);
    add_cell(line, size, 10, 3, r->slip_mm);
    add_cell(line, size, 9, 1, r->rate_hz);
    add(line, size, " %9" PRId64 "  ", r->frames_missing);
    add_flags(r, line, size);
}

/* ---- JSON ---- */

static json_t *number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

/* Null without an encoder. */
static json_t *encoder_counts(const struct watch_reading *r)
{
    return r->has_encoder ? json_integer(r->encoder_counts) : json_null();
}

static json_t *list_flags(const struct watch_reading *r)
{
    json_t *list = json_array();
    for (size_t i = 0; i < FLAG_COUNT; i++) {
        if ((r->flags & FLAGS[i].flag) != 0)
            json_array_append_new(list, json_string(FLAGS[i].words));
    }
    return list;
}

json_t *watch_text_json(const struct watch_reading *r)
{
    static const char *const STATES[] = {[WATCH_PICKUP_WAITING] = "waiting",
                                         [WATCH_PICKUP_CANNOT] = "cannot be seen at this sample rate",
                                         [WATCH_PICKUP_BELOW_NOISE] = "below the noise",
                                         [WATCH_PICKUP_SEEN] = "seen"};
    bool told = r->pickup_state == WATCH_PICKUP_SEEN || r->pickup_state == WATCH_PICKUP_BELOW_NOISE;
    return json_pack(
        "{s:f, s:s, s:o, s:o, s:o, s:s, s:o, s:o, s:o, s:i, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:I, s:o}",
        "time_s", r->time_s, "force_unit", unit_of(r), "force", number(r->force), "zero", number(r->zero),
        "noise_sd", number(r->noise), "mains", STATES[r->pickup_state], "mains_amplitude",
        number(told ? r->pickup : NAN), "mains_hz", number(told ? r->pickup_hz : NAN), "mains_detectable",
        number(told ? r->pickup_detectable : NAN), "commanded_steps", (int)r->commanded_steps, "commanded_mm",
        number(r->commanded_mm), "sample_rate_hz", number(r->rate_hz), "feed_steps_s",
        number(r->speed_steps_s), "feed_mm_s", number(r->speed_mm_s), "encoder_counts", encoder_counts(r),
        "encoder_mm", number(r->encoder_mm), "slip_mm", number(r->slip_mm), "frames_missing",
        (json_int_t)r->frames_missing, "flags", list_flags(r));
}

/* ---- the picture ---- */

void watch_text_bar(double value, double low, double high, int cells, bool blocks, char *text, size_t size)
{
    const char *full = blocks ? "█" : "#";
    const char *empty = blocks ? "░" : ".";
    double origin = fmin(fmax(0, low), high);
    double per_cell = (high - low) / cells;
    int from = (int)lround((fmin(value, origin) - low) / per_cell);
    int to = (int)lround((fmax(value, origin) - low) / per_cell);
    text[0] = 0;
    for (int i = 0; i < cells; i++) {
        if ((i == 0 && value < low) || (i == cells - 1 && value > high))
            add(text, size, "%s", value < low ? "<" : ">");
        else
            add(text, size, "%s", i >= from && i < to ? full : empty);
    }
}

void watch_text_spark(const double *values, size_t count, double least_span, bool blocks, char *text,
                      size_t size, double *low, double *high)
{
    *low = INFINITY;
    *high = -INFINITY;
    text[0] = 0;
    for (size_t i = 0; i < count; i++) {
        if (isnan(values[i]))
            continue;
        *low = fmin(*low, values[i]);
        *high = fmax(*high, values[i]);
    }
    if (*high - *low < least_span) {
        double middle = (*low + *high) / 2;
        *low = middle - least_span / 2;
        *high = middle + least_span / 2;
    }
    for (size_t i = 0; i < count; i++) {
        int height = 0;
        if (isnan(values[i])) {
            add(text, size, " ");
            continue;
        }
        if (*high > *low)
            height = (int)fmin(HEIGHTS - 1, HEIGHTS * (values[i] - *low) / (*high - *low));
        add(text, size, "%s", (blocks ? BLOCK_HEIGHTS : ASCII_HEIGHTS)[height]);
    }
}

/* A line that is too wide loses its end. Characters are counted as one column each. */
static void cut_to(char *line, int columns)
{
    int column = 0;
    for (char *c = line; *c != 0; c++) {
        if (((unsigned char)*c & 0xC0u) != 0x80u && column++ == columns) {
            *c = 0;
            return;
        }
    }
}

static int end_columns(int columns)
{
    return columns >= COLUMNS_WIDE ? 8 : 6; /* for the numbers at both ends of a bar */
}

static int bar_cells(int columns)
{
    int cells = columns - LABEL_COLUMNS - 2 * (end_columns(columns) + 1);
    return cells > 4 ? cells : 4;
}

size_t watch_text_history_columns(int columns)
{
    return (size_t)bar_cells(columns);
}

/* A number for the end of a bar, with as many digits as tell low and high apart: "150", "-8.4M", "0.02". */
static void short_number(double value, double span, char *text, size_t size)
{
    static const struct {
        double unit, from;
        const char *sign;
    } SIGNS[] = {{1e9, 1e9, "G"}, {1e6, 1e6, "M"}, {1e3, 1e4, "k"}};
    double least = pow(10, floor(log10(span)) - 1);
    int digits = span > 0 && least < 1 ? (int)fmin(3, -log10(least) + 0.5) : 0;
    if (fabs(value) < least / 2 || !isfinite(value))
        value = 0;
    for (size_t i = 0; i < sizeof SIGNS / sizeof SIGNS[0]; i++) {
        if (fabs(value) < SIGNS[i].from || least < SIGNS[i].unit / 100)
            continue;
        snprintf(text, size, "%.1f%s", value / SIGNS[i].unit, SIGNS[i].sign);
        return;
    }
    snprintf(text, size, "%.*f", digits, value);
}

struct picture {
    char (*lines)[WATCH_TEXT_LINE_BYTES];
    size_t count;
    int columns;
    int pieces; /* in the line that was begun last */
};

static bool is_narrow(const struct picture *p)
{
    return p->columns < COLUMNS_WIDE;
}

static void begin_line(struct picture *p, const char *label)
{
    snprintf(p->lines[p->count++], WATCH_TEXT_LINE_BYTES, "%-*s", LABEL_COLUMNS, label);
    p->pieces = 0;
}

static void put(struct picture *p, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* One more piece of the line. It is left out when it does not fit, but for the first. */
static void put(struct picture *p, const char *format, ...)
{
    char *line = p->lines[p->count - 1];
    char piece[200];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(piece, sizeof piece, format, arguments);
    va_end(arguments);
    if (p->pieces++ == 0 || strlen(line) + strlen(piece) <= (size_t)p->columns)
        add(line, WATCH_TEXT_LINE_BYTES, "%s", piece);
}

/* Right-aligned, so that the digits stand still. */
static void put_number(struct picture *p, int digits, double value, const char *unit)
{
    int width = is_narrow(p) ? 9 : 11;
    if (isnan(value))
        put(p, "%*s", width, "-");
    else
        put(p, "%*.*f %s", width, digits, without_minus_zero(value, digits), unit);
}

static void put_none(struct picture *p)
{
    put(p, "%*s", is_narrow(p) ? 9 : 11, "none");
}

/* low [bar] high, the bar in the same place whatever the numbers are. */
static void put_between(struct picture *p, const char *label, double low, const char *bar, double high)
{
    char ends[2][40];
    begin_line(p, label);
    short_number(low, high - low, ends[0], sizeof ends[0]);
    short_number(high, high - low, ends[1], sizeof ends[1]);
    add(p->lines[p->count - 1], WATCH_TEXT_LINE_BYTES, "%*s %s %s", end_columns(p->columns), ends[0], bar,
        ends[1]);
}

static void draw_name(struct picture *p, const struct watch_reading *r)
{
    char *line = p->lines[p->count++];
    snprintf(line, WATCH_TEXT_LINE_BYTES, "%.200s  %.40s", r->port, r->rig);
    if (r->feeder[0] != 0)
        add(line, WATCH_TEXT_LINE_BYTES, "  %.40s", r->feeder);
    err_clean_text(line);
}

static void draw_force(struct picture *p, const struct watch_reading *r)
{
    begin_line(p, "force");
    put_number(p, force_digits(r), r->force, unit_of(r));
    if (r->zero != 0)
        put(p, "   zero at %.*f", force_digits(r), r->zero);
}

static void draw_pickup(struct picture *p, const struct watch_reading *r)
{
    char unseen[64];
    begin_line(p, "mains");
    switch (r->pickup_state) {
    case WATCH_PICKUP_WAITING:
        put_number(p, 0, NAN, "");
        return;
    case WATCH_PICKUP_CANNOT:
        put(p, is_narrow(p) ? "not at this sample rate" : "cannot be seen at this sample rate");
        return;
    case WATCH_PICKUP_SEEN:
        put_number(p, scatter_digits(r), r->pickup, unit_of(r));
        put(p, " at %g Hz", r->pickup_hz);
        break;
    default:
        put_number(p, scatter_digits(r), r->pickup_detectable, unit_of(r));
        put(p, " or less");
        break;
    }
    if (name_unseen(r, unseen, sizeof unseen) > 0)
        put(p, "; %s not at this sample rate", unseen);
}

static void draw_feed(struct picture *p, const struct watch_reading *r)
{
    begin_line(p, "feed");
    if (isnan(r->commanded_mm)) {
        put_number(p, 0, r->commanded_steps, "steps");
        put_number(p, 0, r->speed_steps_s, "steps/s");
    } else {
        put_number(p, 3, r->commanded_mm, "mm");
        put_number(p, 3, r->speed_mm_s, "mm/s");
        put_number(p, 0, r->commanded_steps, "steps");
    }
    begin_line(p, "encoder");
    if (!r->has_encoder) {
        put_none(p);
        return;
    }
    if (!isnan(r->encoder_mm))
        put_number(p, 3, r->encoder_mm, "mm");
    put_number(p, 0, r->encoder_counts, "counts");
}

static void draw_slip(struct picture *p, const struct watch_reading *r)
{
    begin_line(p, "slip");
    put_number(p, 3, r->slip_mm, "mm");
    if (r->slip_state == WATCH_SLIP_NO_ENCODER)
        put(p, " without an encoder");
    else if (r->slip_state == WATCH_SLIP_NO_CALIBRATION)
        put(p, " needs --calibration");
    else if (r->slip_state == WATCH_SLIP_NO_FEED)
        put(p, r->feeder[0] == 0 ? " needs --feeder" : " feed not measured");
}

static void draw_rate(struct picture *p, const struct watch_reading *r)
{
    char words[120] = "";
    begin_line(p, "flags");
    add_flags(r, words, sizeof words);
    if (r->flags == 0)
        put_none(p);
    else
        put(p, "%s", words);
    begin_line(p, "samples");
    put_number(p, 1, r->rate_hz, "Hz");
    begin_line(p, "missing");
    put_number(p, 0, (double)r->frames_missing, "frames");
}

size_t watch_text_picture(const struct watch_reading *r, const double *history, size_t history_count,
                          int columns, int rows, bool blocks, bool keys,
                          char lines[WATCH_TEXT_LINES_MAX][WATCH_TEXT_LINE_BYTES])
{
    struct picture p = {.lines = lines, .columns = columns};
    char bar[WATCH_TEXT_LINE_BYTES - 64];
    double low, high;
    draw_name(&p, r);
    draw_force(&p, r);
    watch_text_bar(r->range_at, r->range_low, r->range_high, bar_cells(columns), blocks, bar, sizeof bar);
    put_between(&p, "range", r->range_low, bar, r->range_high);
    watch_text_spark(history, history_count, isnan(r->noise) ? 0 : 2 * r->noise, blocks, bar, sizeof bar,
                     &low, &high);
    put_between(&p, "last 60 s", low, bar, high);
    begin_line(&p, "noise");
    put_number(&p, scatter_digits(r), r->noise, unit_of(r));
    draw_pickup(&p, r);
    draw_feed(&p, r);
    draw_slip(&p, r);
    draw_rate(&p, r);
    snprintf(lines[p.count++], WATCH_TEXT_LINE_BYTES, "%s%s",
             is_narrow(&p) ? "never armed" : "nothing moves: never armed", keys ? "   z zero   q quit" : "");
    if (rows < 1)
        rows = 1;
    if (p.count > (size_t)rows) {
        /* The name goes first, then from below. */
        memmove(lines[0], lines[1], (p.count - 1) * sizeof lines[0]);
        p.count = (size_t)rows < p.count - 1 ? (size_t)rows : p.count - 1;
    }
    for (size_t i = 0; i < p.count; i++)
        cut_to(lines[i], columns);
    return p.count;
}
