/* How it was done, and how sure it is. */
#include "analyze/numerics/design_compare.h"
#include "analyze/report/report_html.h"

#include "analyze/report/calibration_used.h"
#include "analyze/report/predict_show.h"
#include "analyze/report/text_format.h"

#include <math.h>
#include <string.h>

/* What turns counts into newtons, within a sentence. */
static const char *which_calibration(const struct session *session)
{
    return calibration_used_any(session)
               ? "the calibration that <a href=\"#provenance\">provenance</a> names for the series"
               : "the calibration in the series";
}

/* The push, and what comes of it. */
static void push_method(const struct session *session, FILE *out)
{
    fputs("<p>In a blocked push the feeder drives filament at constant speed into a blocked end until it "
          "stalls or a limit is met. "
          "Load cell, commanded feed and, where fitted, an encoder on the filament are recorded as raw "
          "counts. Below, "
          "<var>F</var> is the push force in N, <var>x</var> the commanded feed in mm, <var>D</var> the "
          "effective drive diameter "
          "in mm, <var>i</var> the motor turns for one turn of the drive gear, and <var>N</var> the full "
          "steps of a motor turn. "
          "Push force and forward feed are positive.</p>\n"
          "<dl>\n<dt>Force and zero</dt>\n"
          "<dd>Counts become newtons through ",
          out);
    fputs(which_calibration(session), out);
    fputs(
        ", less the run&#8217;s own zero. "
        "The zero is the mean "
        "of the unloaded stretch before the push, drawn as a straight line to the one after it where there "
        "is one.</dd>\n"
        "<dt>Creep and slip onset</dt>\n"
        "<dd>From the first newton a small share of the feed is lost, in proportion to the force; that is "
        "creep and no failure. "
        "The onset <var>F</var><sub>on</sub> is the force at which the lost share leaves this line:"
        "<div class=\"formula\"><var>s</var> = <var>c</var> <var>F</var> + <var>g</var> max(0, "
        "<var>F</var> &#8722; "
        "<var>F</var><sub>on</sub>)</div>"
        "The share bends at the onset; the lost feed has no kink there. So the fit works on running "
        "integrals: with "
        "<var>W</var> = &#8747; <var>F</var> d<var>x</var> and, for a candidate onset at sample "
        "<var>j</var>, "
        "<var>H</var> = (<var>W</var> &#8722; <var>W</var><sub>j</sub>) &#8722; <var>F</var><sub>j</sub> "
        "(<var>x</var> &#8722; "
        "<var>x</var><sub>j</sub>) from there on and 0 before, the lost feed <var>L</var> measured by an "
        "encoder is"
        "<div class=\"formula\"><var>L</var> = <var>a</var> + <var>c</var> <var>W</var> + <var>g</var> "
        "<var>H</var></div>"
        "and without an encoder the force itself, on a fixture of stiffness <var>k</var>, is"
        "<div class=\"formula\"><var>F</var> = <var>a</var> + <var>k</var> <var>x</var> &#8722; "
        "<var>k</var> <var>c</var> "
        "<var>W</var> &#8722; <var>k</var> <var>g</var> <var>H</var></div>"
        "Every candidate is solved exactly by least squares and the best one taken. Where the data do not "
        "ask for the bend (by "
        "the Bayesian information criterion), there is no onset, and none is reported.</dd>\n"
        "<dt>Stall force</dt>\n"
        "<dd>The push force at which feed stops, whichever gave way. Near it the force rises and drops "
        "again and again. Each "
        "peak is read off a line fitted to the rise, at the moment of the drop; the largest reading would "
        "be the peak plus the "
        "luckiest noise. The stall force of a run is the median of its peaks. A push that levels off "
        "without drops has the "
        "level to which it settles. A run that met a limit first has no stall force: it is &#8220;at "
        "least&#8221; the force "
        "reached, and is never averaged as if it were a value.</dd>\n"
        "<dt>What gave way</dt>\n"
        "<dd>A motor that loses step falls back by whole electrical cycles, so that its drops recur at "
        "multiples of"
        "<div class=\"formula\">4 &#960; <var>D</var> / (<var>N</var> <var>i</var>)</div>"
        "of commanded feed. Shearing teeth let go at the tooth pitch or at no period. Distances are forces "
        "over the stiffness, whose uncertainty counts. Where drops let go of nearly everything their length "
        "tells little, and where the next one comes does: a rotor has to come round by a whole cycle, a "
        "grip takes hold at once.</dd>\n"
        "<dt>Motor torque</dt>\n"
        "<dd><div class=\"formula\"><var>T</var> = <var>F</var> <var>D</var> / (2 <var>i</var>)</div>"
        "What the reduction loses is not added back, so this is the torque that arrives, as seen at the "
        "motor shaft. Three "
        "models are fitted by maximum likelihood: a constant, a straight decline with speed, and a flat "
        "part joined to the "
        "pull-out torque of a hybrid stepper whose current is limited by the supply voltage. The one with "
        "the least AICc is "
        "drawn. Points where the grip gave way enter as lower bounds.</dd>\n",
        out);
}

/* What few readings allow, and where force and feed are from instruments that know nothing of each other. */
static void sampling_method(const struct session *session, FILE *out)
{
    bool separate = false;
    for (size_t i = 0; i < session->run_count; i++)
        separate = separate || session->runs[i].record->separate != NULL;
    fputs("<dt>Few readings</dt>\n"
          "<dd>Between two readings the force may rise by as much as the stiffness times the feed from one "
          "to the next; half of that either way is what they resolve of an onset or a peak, and each run "
          "that was read coarsely says how much it is. Where a motor cycle or a tooth pitch has fewer than "
          "four readings, what gave way is not clear, whatever drops are seen: they may be any others. "
          "Without enough readings on the rise no onset is given.</dd>\n",
          out);
    if (separate)
        fputs(
            "<dt>Separate instruments</dt>\n"
            "<dd>Where force comes from a gauge and motion from a controller that know nothing of each "
            "other, "
            "each reading has the time of its arrival less the gauge&#8217;s latency, and the feed at that "
            "time is worked out from what was commanded. An error of the latencies moves all force against "
            "all feed. It does not touch a peak, and touches the onset and the stiffness as far as the fit "
            "changes when the feed is moved by it. Readings that may be from after the end of the motion are "
            "left out.</dd>\n",
            out);
    fputs("</dl>\n", out);
}

/* How feeders are compared: who with whom, by which design, and what a verdict means. */
static void comparison_method(FILE *out)
{
    fputs("<dt>Who is compared</dt>\n"
          "<dd>Only feeders whose conditions agree within the plan&#8217;s tolerances, field by field. One "
          "that differs makes the pair not comparable, unless the reader of the data accepted that field by "
          "name; every number that rests on it then says so.</dd>\n"
          "<dt>Design</dt>\n"
          "<dd>The plan mounts each feeder once in each block, in an order drawn from its seed. Runs of a "
          "feeder in one block and at one speed share its mounting and count as one value. Two feeders are "
          "compared block by block (paired <var>t</var>), or by Welch&#8217;s <var>t</var> where they have "
          "no blocks in common. Three or more are compared at once: by an additive model of feeders and "
          "blocks with Tukey and Kramer&#8217;s studentised range, where Bartlett&#8217;s test does not "
          "show that their scatter differs (at ",
          out);
    fprintf(out,
            "%g %%, within blocks, where it sees less, at %g %%; of three feeders in blocks also "
            "Mauchly&#8217;s, "
            "at %g %%",
            100 * DESIGN_SCATTER_LEVEL, 100 * DESIGN_SCATTER_LEVEL_BLOCKS, 100 * DESIGN_SCATTER_LEVEL_THREE);
    fputs(
        "); else each pair by its own scatter, by Games and Howell "
        "without blocks, by paired <var>t</var> adjusted by Holm within them. Missing runs leave gaps that "
        "the model allows for. Whether blocks, or the place in the order, had an effect is tested and "
        "shown; neither test changes the analysis.</dd>\n"
        "<dt>Lower bounds</dt>\n"
        "<dd>Where a run met a limit before the stall, its force enters as &#8220;at least&#8221;, through "
        "the likelihood of censored normal values. At least three values of each feeder, and half of all, "
        "must be known: else the pair is refused.</dd>\n"
        "<dt>Verdicts</dt>\n"
        "<dd>A quantity of another test has one value a feeder: the difference is tested by its standard "
        "uncertainty and degrees of freedom. What both values owe to one calibration, and within a series "
        "to the alignment of the load axis, is the same error twice and cancels as far as it is equal. The "
        "<var>p</var> values of the whole report are adjusted together: each family of pairs has an equal "
        "share of the 5 %, and one in which every pair is shown hands its share on to the others "
        "(Holm&#8217;s "
        "method where families are single pairs), so that the chance of any false claim in it stays at 5 %. "
        "A difference is shown when the adjusted "
        "value is below 0.05. Two feeders are equivalent when two one-sided tests show that they differ by "
        "less than the smallest difference that matters, as plan or reader state it.</dd>\n"
        "<dt>Repeats</dt>\n"
        "<dd>What more repeats would bring is a forecast from the scatter found here, for the same design, "
        "number of feeders and level. It is for its quantity alone, without the adjustment over quantities, "
        "and holds as far as that scatter is known: <code>nipbench-analyze repeats</code> gives its "
        "interval.</dd>\n",
        out);
}

void html_method(const struct session *session, FILE *out)
{
    if (html_any_push_run(session)) {
        push_method(session, out);
        sampling_method(session, out);
    } else {
        fputs(
            "<p>Load cell, commanded feed and, where fitted, an encoder on the filament are recorded as raw "
            "counts. Counts become newtons through ",
            out);
        fputs(which_calibration(session), out);
        fputs(", less the run&#8217;s own "
              "zero, "
              "which is taken while the filament is not loaded. Below, <var>F</var> is the force in N, "
              "<var>x</var> "
              "the commanded feed in mm, <var>D</var> the effective drive diameter in mm, <var>i</var> the "
              "motor "
              "turns for one turn of the drive gear, <var>z</var> its teeth, and <var>N</var> the full steps "
              "of a "
              "motor turn. Push force and forward feed are positive.</p>\n",
              out);
    }
    fputs("<dl>\n", out);
    html_test_definitions(session, out);
    if (html_prediction_wanted(session))
        html_prediction_method(out);
    comparison_method(out);
    fputs("</dl>\n", out);
}

static void push_uncertainty(FILE *out)
{
    fputs("<li><strong>Stall force of a run</strong>: scatter of the peaks (or of the fitted level), the "
          "zero with its noise and drift and the resolution of the converter, creep of the load cell, "
          "alignment of the load axis, the runout of the gear where the motor stalls again and again, and "
          "the load cell calibration: its fit, its weights, the gravity taken there, and the reversibility "
          "of the load cell, as far as the calibration tells them apart. Of few readings also where between "
          "two of them a peak lies, and cycles or teeth too quick to be seen; of separate instruments the "
          "last digit of the gauge (twice: the zero is rounded too) and the jitter of their time "
          "stamps.</li>\n"
          "<li><strong>Slip onset of a run</strong>: the fit, with the correlation of neighbouring residuals "
          "allowed for, the rise from one reading to the next, the time stamps of separate instruments, and "
          "the same of zero, load cell, alignment and calibration.</li>\n"
          "<li><strong>Mean over runs</strong>: scatter from run to run, and once more load cell, alignment "
          "and calibration, and what few readings or separate instruments leave unknown, which are common "
          "to all runs and do not average out. A mean of one run has that "
          "run&#8217;s own interval, which says nothing about the next run.</li>\n"
          "<li><strong>Difference</strong>: scatter of the differences, and the calibration in proportion to "
          "the difference, because a wrong gain stretches both forces alike; between series of two "
          "calibrations, both calibrations in full. &#177; is for its pair alone, the interval "
          "&#8220;together&#8221; for all "
          "pairs of feeders measured alike; verdicts use the <var>p</var> values adjusted over quantities "
          "too, so an interval may leave out zero and the verdict still be &#8220;no difference "
          "shown&#8221;.</li>\n"
          "<li><strong>Torque</strong>: the budget of the force, and the drive diameter, which multiplies "
          "it: measured where the feed was calibrated, else what the plan states for the diameter.</li>\n",
          out);
}

/* Each in a paragraph of its own: all that follows rests on it. */
static void other_calibrations(const struct session *session, FILE *out)
{
    for (size_t i = 0; i < session->series_count; i++) {
        if (session->series[i]->other == NULL)
            continue;
        fputs("<p><strong>Another calibration.</strong> ", out);
        calibration_used_html(session, i, out);
        fputs(" Its uncertainty is the calibration&#8217;s part in every budget of these forces.</p>\n", out);
    }
}

void html_uncertainty(const struct session *session, FILE *out)
{
    fputs("<p>Every interval is a 95 % coverage interval in the sense of JCGM 100 (GUM): value &#177; "
          "<var>k</var> &#215; combined standard uncertainty. The coverage factor <var>k</var> is "
          "Student&#8217;s <var>t</var> for the effective degrees of freedom after Welch and Satterthwaite, "
          "cut to a whole number. A value is printed to two digits of half that interval.</p>\n",
          out);
    other_calibrations(session, out);
    fputs("<ul>\n", out);
    if (html_any_push_run(session))
        push_uncertainty(out);
    fputs(
        "<li><strong>Other tests</strong>: each quantity has a budget of its own, below and in "
        "<code>results.json</code>.</li>\n</ul>\n"
        "<p>Type A is worked out from the scatter of observations in this series or its calibration; type "
        "B from anything else: the resolution of an instrument, or a judgement. The budgets below are those "
        "of means at the reference speed and of the other tests; <code>results.json</code> has the budget of "
        "every run, mean and "
        "difference.</p>\n"
        "<p>Not in any interval: differences between lots, gears or motors of the same kind, and anything "
        "unknown that stays the same through the whole series. Another bench is the only check on what one "
        "bench cannot see.</p>\n",
        out);
}

void html_cautions(FILE *out)
{
    fputs("<ul>\n"
          "<li>Moving gears pinch. Keep hands clear while the rig is armed.</li>\n"
          "<li>Filament under load can whip when it breaks or slips out: wear eye protection.</li>\n"
          "<li>Hot ends burn, and melts fume: ventilate.</li>\n"
          "<li>A stalled motor and its driver get hot.</li>\n"
          "<li>Have an emergency stop that cuts motor power in hardware, independent of any software (ISO "
          "13850; stop category 0 "
          "of IEC 60204-1).</li>\n"
          "<li>Mains wiring belongs to licensed practice under local codes.</li>\n"
          "<li>Limits in software are a help and not a safety function.</li>\n"
          "</ul>\n",
          out);
}
