/* How each kind of test other than the plain push is worked out: definitions, with the formula named. Only
 * the tests that the session holds are told of. */
#include "analyze/report/report_html.h"

#include "analyze/report/answer.h"

#include <string.h>

static const struct {
    const char *test, *definition; /* markup */
} DEFINITIONS[] = {
    {"loaded-feed", "The lost share <var>s</var> is the part of the commanded feed that the encoder on the "
                    "filament does not see "
                    "while the feeder pulls against a steady load <var>F</var>. Over the ladder of loads"
                    "<div class=\"formula\"><var>s</var> = <var>c</var> <var>F</var> + <var>g</var> max(0, "
                    "<var>F</var> &#8722; "
                    "<var>F</var><sub>on</sub>)</div>"
                    "with the creep coefficient <var>c</var>, which is there from the first newton, and "
                    "gross slip past the onset "
                    "<var>F</var><sub>on</sub>. The greatest feed force is the one past which no filament "
                    "comes through. Published "
                    "work on roller drives found that slip rises in proportion to the feed force and falls "
                    "with the pinch force "
                    "until it hardly changes (Nienhaus, Spiehl, D&#246;rsam, Journal of Manufacturing and "
                    "Materials Processing "
                    "2021, 5(2), 53, doi 10.3390/jmmp5020053)."},
    {"preload-sweep",
     "Grip and motor are two limits, and each push shows the lower. The grip rises with the nip preload "
     "<var>P</var>, the motor does not know of it:<div class=\"formula\"><var>F</var> = min(<var>b</var> + "
     "<var>&#956;</var> <var>P</var>, <var>F</var><sub>motor</sub>)</div>The grip coefficient is "
     "<var>&#956;</var>; a constant <var>b</var>, and a level at which the grip itself is saturated, are "
     "there only where AICc asks for them. Each limit is fitted with the pushes that the other one ended "
     "as lower bounds. The preload past which more does not help is where the rising line meets the "
     "lower level. A filament that the nip dents has a smaller effective drive diameter, so that its "
     "feed shrinks with the preload."},
    {"reversal",
     "Lost motion is the commanded feed between the last force forward and the first force back, each "
     "branch carried on to no force: backlash of the drive, and clearance of a guide tube. The energy "
     "that one loop takes is its area,<div class=\"formula\"><var>E</var> = &#8750; <var>F</var> "
     "d<var>x</var></div>Friction of a guide tube makes the force larger on the way forward and smaller "
     "on the way back. For bends that add up to the angle <var>&#966;</var>, the belt-friction law makes "
     "each differ by exp(<var>&#956;</var> <var>&#966;</var>), so that<div "
     "class=\"formula\"><var>F</var><sub>forward</sub> / <var>F</var><sub>back</sub> = exp(2 "
     "<var>&#956;</var> <var>&#966;</var>)</div>Both forces are read where the direction turns round, "
     "with the feed that creeps taken off: from one contact to the next the filament falls behind by "
     "creep times the integral of force over way, which tells it far better than the bend of one "
     "loading. A run of one cycle has that bend alone."},
    {"free-run",
     "What is left of the measured feed after a straight line is looked at against the feed, not against "
     "time: a period of so many millimetres belongs to a part of the drive at any speed. One turn of the "
     "drive gear is &#960; <var>D</var> of feed, one tooth &#960; <var>D</var>/<var>z</var>, one motor "
     "turn &#960; <var>D</var>/<var>i</var>, one full step &#960; <var>D</var>/(<var>N</var> "
     "<var>i</var>). Sines of these orders are fitted together by least squares. A gear that runs "
     "eccentric by <var>e</var> feeds by up to <var>e</var> too much or too little, once a turn; its "
     "full indicator movement is 2 <var>e</var>. A ripple is named only when it stands above the level "
     "that noise alone would reach with the stated probability."},
    {"melt-push",
     "The force that it takes to feed the hot end at the volumetric rate <var>Q</var>, at each temperature:"
     "<div class=\"formula\"><var>F</var>(<var>Q</var>) = <var>F</var><sub>0</sub> + <var>k</var> "
     "<var>Q</var><sup><var>n</var></sup></div>"
     "or, where AICc asks for it, a form whose exponent itself changes with the rate:"
     "<div class=\"formula\">ln <var>F</var> = <var>a</var> + <var>b</var> ln <var>Q</var> + <var>c</var> "
     "(ln "
     "<var>Q</var>)&#178;</div>"
     "as published fits over 267 conditions needed it (Andreucci, Pace, Lambiase, International Journal of "
     "Advanced "
     "Manufacturing Technology; abstract read)."},
    {"endurance",
     "The stall force of each push against the metres of filament that have gone through the nip. A "
     "cleaning or a remounting begins a stretch with a level of its own; all stretches share one slope, "
     "the median of the slopes between all pairs of pushes of the same stretch, which a few odd pushes "
     "do not move (Theil 1950; Sen 1968). Its interval goes between the slopes of two ranks, interpolated "
     "to hold it 95 times in 100. Kendall&#8217;s test, summed over the stretches, says whether "
     "there is a trend at all (Mann 1945; Hirsch, Slack, Smith, Water Resources Research 18 (1982) 107)."},
    {"operating-chart",
     "The feeder can push the lesser of what its motor gives at that speed and what its grip holds. With "
     "the margin <var>m</var>, the operating limit is the highest rate <var>Q</var> up to which<div "
     "class=\"formula\">(1 + <var>m</var>) <var>F</var>(<var>Q</var>) &#8804; min(motor, grip)</div>with "
     "the lower end of the 95 % band on the right. A rate is a speed of filament of diameter "
     "<var>d</var>: <var>v</var> = 4 <var>Q</var>/(&#960; <var>d</var>&#178;). What is the lesser there "
     "gives way first. Nothing is said beyond the fastest rate at which the hot end was fed."},
};

void html_test_definitions(const struct session *session, FILE *out)
{
    const char *tests[ANSWER_TESTS_MAX];
    size_t count = answer_tests(session, tests, ANSWER_TESTS_MAX);
    for (size_t i = 0; i < count; i++) {
        for (size_t k = 0; k < sizeof DEFINITIONS / sizeof DEFINITIONS[0]; k++) {
            if (strcmp(DEFINITIONS[k].test, tests[i]) == 0)
                fprintf(out, "<dt>%s</dt>\n<dd>%s</dd>\n", answer_test_title(tests[i]),
                        DEFINITIONS[k].definition);
        }
    }
    for (size_t i = 0; i < session->feeder_count; i++) {
        char text[320];
        if (!answer_buckling(session, i, text, sizeof text))
            continue;
        fputs(
            "<dt>Buckling of the free length</dt>\n<dd>The filament between nip and end is a strut with both "
            "ends "
            "held, the stiffest case; it may buckle above Euler&#8217;s load"
            "<div class=\"formula\"><var>F</var> = &#960;&#178; <var>E</var> <var>I</var> / (<var>K</var> "
            "<var>L</var>)&#178;, <var>I</var> = &#960; <var>d</var><sup>4</sup>/64, <var>K</var> = 0.5</div>"
            "A force past it says that the free length, its diameter or its modulus was not as stated, or "
            "that it "
            "did buckle.</dd>\n",
            out);
        return;
    }
}
