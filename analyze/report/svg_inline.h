/* Makes a stand-alone SVG picture fit for the inside of an HTML page: the prolog goes, every id gets a
 * prefix, the picture gets its own title and description, and its colours become those of the page. Reads the
 * whole picture on the way, so it is also the check that the picture is complete and well-formed. */
#ifndef ANALYZE_REPORT_SVG_INLINE_H
#define ANALYZE_REPORT_SVG_INLINE_H

#include "rig/base/err.h"

#include <stddef.h>
#include <stdio.h>

/* Told now and then how many bytes are behind: little of them is looked at again. */
typedef void svg_inline_passed(const char *svg, size_t bytes);

/* Write svg (length bytes) to out with every id and every reference to one prefixed by prefix and a hyphen,
 * role="img", and aria-labelledby and aria-describedby pointing at title and description (foreign text,
 * escaped here). prefix: letters, digits, hyphens. A colour of the figures becomes "var(--figure-NAME)",
 * which html_style.h defines for light, dark and paper. Left out, because nothing shows of it: groups that
 * hold nothing, gnuplot's names of the plots, and the title where it is drawn in the picture. out NULL:
 * nothing is written, the picture is only checked. passed NULL: nobody is told. Refused with ERR_SYSTEM and
 * the byte: anything not well-formed, anything after
 * </svg>, scripts, event attributes and references that leave the picture. */
enum err_code svg_inline(const char *svg, size_t length, const char *prefix, const char *title,
                         const char *description, FILE *out, svg_inline_passed *passed, struct err *e);

#endif
