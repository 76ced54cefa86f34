/* One figure of the page: what it shows, the picture, how to read it, and its data as a file to keep, so that
 * a page that was passed on alone has them too. */
#include "analyze/report/report_html.h"

#include "analyze/report/text_format.h"

#include <ctype.h>
#include <errno.h>
#include <string.h>

/* Far above what thinned data take. */
#define DATA_BYTES_MAX (8L * 1024 * 1024)

/* Bytes as the data of a URL: everything that has a meaning there, or none, as %XX. */
static void put_encoded(const char *bytes, size_t length, FILE *out)
{
    for (size_t i = 0; i < length; i++) {
        unsigned char c = (unsigned char)bytes[i];
        if (isascii(c) && (isalnum(c) || (c != 0 && strchr("-._~,", c) != NULL)))
            fputc(c, out);
        else
            fprintf(out, "%%%02X", c);
    }
}

static enum err_code put_data(const char *path, FILE *in, FILE *out, struct err *e)
{
    char piece[16384];
    long total = 0;
    size_t got;
    while ((got = fread(piece, 1, sizeof piece, in)) > 0 && total <= DATA_BYTES_MAX) {
        put_encoded(piece, got, out);
        total += (long)got;
    }
    if (total > DATA_BYTES_MAX)
        return err_set_at(e, ERR_SYSTEM, path, 0, 0, "the data are larger than %ld bytes", DATA_BYTES_MAX);
    if (ferror(in) != 0)
        return err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be read: %s", strerror(errno));
    return ERR_OK;
}

/* The link by which the data are saved; a browser fetches nothing for it. */
static enum err_code data_link(const char *folder, const struct figure *f, FILE *out, struct err *e)
{
    char path[4096];
    enum err_code code;
    FILE *in;
    if ((size_t)snprintf(path, sizeof path, "%s/%s.csv", folder, f->name) >= sizeof path)
        return err_set_at(e, ERR_USAGE, folder, 0, 0, "the path is too long");
    in = fopen(path, "re");
    if (in == NULL)
        return err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be read: %s", strerror(errno));
    fprintf(out, "<a download=\"%s.csv\" href=\"data:text/csv;charset=utf-8,", f->name);
    code = put_data(path, in, out, e);
    fclose(in);
    fputs("\">Save the data of this figure: <span class=\"dim\">", out);
    text_html(out, f->title);
    fputs("</span> (CSV)</a>", out);
    return code;
}

/* The picture itself, or a link to it; the words beside it say what it shows. */
static enum err_code picture(const struct figures *figures, const struct figure *f, FILE *out, struct err *e)
{
    if (!figures->linked)
        return figure_put(figures->folder, f, out, e);
    fprintf(out, "<img src=\"figures/%s.svg\" alt=\"", f->name);
    text_html(out, f->title);
    fputs("\">", out);
    return ERR_OK;
}

enum err_code html_figure(const struct figures *figures, size_t i, FILE *out, struct err *e)
{
    const struct figure *f = &figures->figure[i];
    enum err_code code;
    if (!f->drawn)
        return ERR_OK;
    fprintf(out, "<figure id=\"figure-%s\">\n<figcaption>\n<h3>", f->name);
    text_html(out, f->title);
    fputs("</h3>\n<p>", out);
    text_html(out, f->seen);
    fputs("</p>\n</figcaption>\n<div class=\"picture\" tabindex=\"0\" role=\"group\" aria-label=\"Picture: ",
          out);
    text_html(out, f->title);
    fputs("\">\n", out);
    code = picture(figures, f, out, e);
    if (code != ERR_OK)
        return code;
    fputs("\n</div>\n<p class=\"about\">", out);
    text_html(out, f->description);
    fputs("</p>\n<p class=\"about tools\">", out);
    if (!figures->linked) {
        code = data_link(figures->folder, f, out, e);
        fputs(". ", out);
    }
    fprintf(out,
            "Beside the page, <code>gnuplot figures/%s.gp</code> draws it again from "
            "<code>figures/%s.csv</code>.</p>\n</figure>\n",
            f->name, f->name);
    return code;
}

enum err_code html_figures_of(const struct figures *figures, enum figure_kind kind, FILE *out, struct err *e)
{
    enum err_code code = ERR_OK;
    bool any = false;
    for (size_t i = 0; figures != NULL && i < figures->count && code == ERR_OK; i++) {
        if (figures->figure[i].kind != kind || !figures->figure[i].drawn)
            continue;
        any = true;
        code = html_figure(figures, i, out, e);
    }
    if (!any)
        fputs("<p class=\"dim\">No figure was drawn here.</p>\n", out);
    return code;
}
