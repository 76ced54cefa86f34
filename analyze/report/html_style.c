#include "analyze/report/html_style.h"

/* Colours of text have a contrast of at least 4.5 to 1 on what they stand on, marks of figures at least 3
 * to 1. The hues are Okabe and Ito's for white paper; on dark ground the same ones are lighter, apart still.
 */
#define FIGURE_LIGHT                                                                                         \
    "--figure-paper:#ffffff;--figure-ink:#000000;--figure-axis:#444444;--figure-mark:#666666;"               \
    "--figure-zero:#888888;--figure-grid:#dddddd;--figure-notice:#b00020;--figure-hue-1:#0072b2;"            \
    "--figure-hue-2:#d55e00;--figure-hue-3:#009e73;--figure-hue-4:#cc79a7;--figure-hue-5:#e69f00;"           \
    "--figure-hue-6:#56b4e9"
#define LIGHT                                                                                                \
    "--ink:#1d2328;--dim:#55606a;--page:#fcfcfb;--box:#f1f3f4;--line:#c9d0d6;--link:#00568a;"                \
    "--alarm:#b00020;--alarm-ink:#ffffff;--good:#005c43;" FIGURE_LIGHT
#define DARK                                                                                                 \
    "--ink:#e7eaec;--dim:#aab4bc;--page:#15191c;--box:#20262b;--line:#3c464e;--link:#7cc4f2;"                \
    "--alarm:#ff8a80;--alarm-ink:#1a0003;--good:#6fd6b0;"                                                    \
    "--figure-paper:#1b2024;--figure-ink:#f2f4f5;--figure-axis:#c3cbd1;--figure-mark:#9aa5ad;"               \
    "--figure-zero:#87929a;--figure-grid:#343d44;--figure-notice:#ff8a80;--figure-hue-1:#4f9fe6;"            \
    "--figure-hue-2:#f07a3c;--figure-hue-3:#2fbf8f;--figure-hue-4:#e29cc5;--figure-hue-5:#f2c14e;"           \
    "--figure-hue-6:#a5dbff"
#define PAPER                                                                                                \
    "--ink:#000000;--dim:#333333;--page:#ffffff;--box:#ffffff;--line:#999999;--link:#000000;"                \
    "--alarm:#b00020;--alarm-ink:#ffffff;--good:#005c43;" FIGURE_LIGHT

/* No string may be longer than 4095 bytes by the standard, so the sheet comes in parts. */
static const char COLOURS_AND_TEXT[] =
    ":root{color-scheme:light dark;" LIGHT "}\n"
    "@media (prefers-color-scheme:dark){:root{" DARK "}}\n"
    "*{box-sizing:border-box}\n"
    "html{-webkit-text-size-adjust:100%;text-size-adjust:100%}\n"
    "body{margin:0;background:var(--page);color:var(--ink);overflow-wrap:break-word;"
    "font:1rem/1.55 system-ui,-apple-system,'Segoe UI',Roboto,'Liberation Sans',Arial,sans-serif}\n"
    "main,header,footer{max-width:66rem;margin:0 auto;padding:0 1.25rem}\n"
    "header{padding-top:1.5rem}\n"
    "h1{font-size:1.5rem;line-height:1.25;margin:.25rem 0 .5rem}\n"
    "h2{font-size:1.25rem;margin:2.5rem 0 .75rem;padding-top:.75rem;border-top:1px solid var(--line)}\n"
    "#answer h2{border-top:0;margin-top:.75rem;padding-top:0}\n"
    "h3{font-size:1.05rem;margin:1.5rem 0 .5rem}\n"
    "h4{font-size:1rem;margin:1rem 0 .25rem}\n"
    "p,li,dd{max-width:46rem}\n"
    "a{color:var(--link)}\n"
    ":focus-visible{outline:3px solid var(--link);outline-offset:2px}\n"
    ".dim{color:var(--dim)}\n"
    ".small{font-size:.875rem}\n"
    ".line{display:block}\n"
    ".simulated{background:var(--alarm);color:var(--alarm-ink);padding:.6rem 1rem;font-weight:600;"
    "border-radius:.25rem;margin:0 0 1rem;max-width:none}\n"
    ".headline{font-size:1.3rem;line-height:1.4;font-weight:600;margin:.5rem 0;max-width:54rem}\n"
    ".answers{padding:0;margin:.5rem 0 1rem;list-style:none}\n"
    ".answers li{margin:.5rem 0;padding:.35rem 0 .35rem .9rem;border-left:.3rem solid var(--line);"
    "max-width:54rem}\n"
    ".answers .shown{border-color:var(--good)}\n"
    ".answers .refused{border-color:var(--alarm)}\n"
    ".plain{background:var(--box);border-radius:.25rem;padding:.25rem 1rem 1rem;margin:1rem 0;"
    "max-width:54rem}\n"
    ".plain dt{margin-top:.75rem}\n"
    ".plain dd p{margin:.25rem 0}\n";

static const char TABLES_AND_FIGURES[] =
    /* The box is what scrolls, so that the page never does. */
    ".scroll{overflow-x:auto;margin:.75rem 0 1.25rem}\n"
    "table{border-collapse:collapse;font-variant-numeric:tabular-nums;font-size:.925rem}\n"
    "caption{text-align:left;color:var(--dim);font-size:.875rem;padding:0 0 .35rem}\n"
    "th,td{text-align:left;vertical-align:top;padding:.35rem 1.1rem .35rem 0;"
    "border-bottom:1px solid var(--line)}\n"
    "thead th{border-bottom:2px solid var(--line);vertical-align:bottom}\n"
    "th{font-weight:600}\n"
    "td.number,th.number{text-align:right;white-space:nowrap}\n"
    "thead th.number{white-space:normal}\n"
    "td.keep,tbody th{white-space:nowrap}\n"
    "td.wrap{min-width:16rem}\n"
    "tr.upper td{border-bottom:0;padding-bottom:0}\n"
    "tr.pair th{border-bottom:0;padding-bottom:0}\n"
    "tr.upper+tr td{padding-top:0}\n"
    "table .small,table .flag{font-size:.93em}\n"
    "td .line{max-width:24rem}\n"
    ".note{position:sticky;left:0;max-width:min(46rem,calc(100vw - 3.5rem));white-space:normal}\n"
    "td.differs{font-weight:600;color:var(--alarm)}\n"
    ".flag{color:var(--alarm);font-size:.875rem;font-weight:400}\n"
    "figure{margin:1.5rem 0 2rem}\n"
    "figcaption h3{margin:0 0 .25rem}\n"
    "figcaption p{margin:.25rem 0 .6rem;max-width:54rem}\n"
    ".picture{background:var(--figure-paper);border:1px solid var(--line);border-radius:.25rem;"
    "padding:.5rem;overflow-x:auto}\n"
    /* Narrower than this the smallest text of a figure could not be read. */
    ".picture svg{display:block;width:100%;height:auto;min-width:46rem}\n"
    ".about{color:var(--dim);font-size:.875rem;margin:.4rem 0 0;max-width:54rem}\n"
    "code,pre{font-family:ui-monospace,'Liberation Mono',Menlo,Consolas,monospace;font-size:.875em}\n"
    "pre{background:var(--box);padding:.75rem 1rem;overflow-x:auto;border-radius:.25rem}\n"
    "code{overflow-wrap:anywhere}\n"
    "pre code{overflow-wrap:normal}\n"
    ".formula{margin:.5rem 0 .75rem 1.5rem;font-size:1.05rem;overflow-x:auto;"
    "font-family:Cambria,Georgia,'Liberation Serif',serif}\n"
    "dt{font-weight:600;margin-top:.9rem}\n"
    "dd{margin:.15rem 0 0 0}\n"
    "nav ul{padding:0;margin:.5rem 0;list-style:none;display:flex;flex-wrap:wrap;gap:.25rem 1.1rem;"
    "font-size:.925rem}\n"
    "nav a{display:inline-block;padding:.2rem 0}\n"
    "summary{cursor:pointer;font-weight:600;padding:.25rem 0}\n"
    "footer{padding-top:1rem;padding-bottom:2.5rem;color:var(--dim);font-size:.875rem}\n"
    "@media (max-width:40rem){main,header,footer{padding:0 .9rem}.headline{font-size:1.15rem}"
    ".formula{margin-left:.5rem}td.wrap{min-width:12rem}tbody th{white-space:normal}}\n";

static const char PAPER_RULES[] =
    /* Paper: any size, so that the printer's own (A4, Letter) holds. A box on paper cannot scroll, so tables
     * are set small and may break words; a figure is never cut. */
    "@page{margin:15mm}\n"
    "@media print{:root{color-scheme:light;" PAPER "}\n"
    ":root{font-size:9.5pt}\n"
    "body{line-height:1.35}\n"
    "p{margin:.5em 0}\n"
    "h2{margin:1.25rem 0 .5rem;padding-top:.5rem}\n"
    "h3{margin:1rem 0 .35rem}\n"
    ".scroll{margin:.5rem 0 .75rem}\n"
    "figure{margin:1rem 0 1.25rem}\n"
    "main,header,footer{max-width:none;padding:0}\n"
    "p,li,dd,.headline,.answers li,.plain,figcaption p,.about{max-width:none}\n"
    "nav{display:none}\n"
    ".simulated{border:2px solid var(--alarm);background:none;color:var(--alarm)}\n"
    ".plain{border:1px solid var(--line)}\n"
    ".scroll,.picture,pre,.formula{overflow:visible}\n"
    "pre{border:1px solid var(--line);white-space:pre-wrap;overflow-wrap:anywhere}\n"
    "pre code{overflow-wrap:anywhere}\n"
    "table{font-size:8pt;line-height:1.3;max-width:100%}\n"
    "th,td{padding:.2rem .55rem .2rem 0}\n"
    "td.keep,tbody th{white-space:normal}\n"
    "td .line{max-width:4cm}\n"
    /* Many columns: numbers wrap at their blanks, evenly, so that no unit stands alone; very many: wherever
     * they must. */
    "table:has(tr>:nth-child(9)) td.number{white-space:normal;text-wrap:balance}\n"
    "table:has(tr>:nth-child(11)) :is(td,th){overflow-wrap:anywhere}\n"
    /* Conditions are free text: a word without an end may not push the others off the sheet. */
    "table:not(:has(tr>:nth-child(7))) td:not(.number,.keep){overflow-wrap:anywhere}\n"
    "td.wrap{min-width:0}\n"
    ".note{position:static;max-width:none}\n"
    "thead{display:table-header-group}\n"
    /* Nobody can unfold paper; what is folded on a screen is long and set small. */
    "details::details-content{content-visibility:visible;block-size:auto}\n"
    "summary{list-style:none}\n"
    "details li,details p{font-size:8pt;line-height:1.3;margin:.3em 0}\n"
    "details ul{columns:2;column-gap:1.5em;padding-left:1.2em;margin:.4em 0}\n"
    "details pre{columns:2;font-size:7.5pt}\n"
    "tr,figure,.formula,h2,h3,h4,dt,li,.answers li,:not(details)>pre{break-inside:avoid}\n"
    "tr.upper,h2,h3,h4,dt,caption,summary,thead{break-after:avoid}\n"
    "p{orphans:3;widows:3}\n"
    ".picture{padding:0;border:0}\n"
    /* With its words above and below the tallest figure still fits a Letter page. */
    ".picture svg{min-width:0;max-height:16.5cm}\n"
    ".tools{display:none}}\n"
    "@media (forced-colors:active){.picture{forced-color-adjust:none}}\n";

void html_style(FILE *out)
{
    fputs("<style>\n", out);
    fputs(COLOURS_AND_TEXT, out);
    fputs(TABLES_AND_FIGURES, out);
    fputs(PAPER_RULES, out);
    fputs("</style>\n", out);
}
