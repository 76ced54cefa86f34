#include "analyze/report/md_page.h"

#include "analyze/report/markup_read.h"
#include "analyze/report/md_anchor.h"
#include "analyze/report/md_table.h"
#include "analyze/report/md_text.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

#define DEPTH_MAX     64
#define PENDING_MAX   6 /* one for each level */
#define DEFINED_LEVEL 3 /* a term of a list of definitions is a heading of this level */

enum block { BLOCK_NONE, BLOCK_PARAGRAPH, BLOCK_MARK, BLOCK_HEADING, BLOCK_ITEM, BLOCK_CELL, BLOCK_RAW };

/* What is to be done at the end of an element. */
enum ending {
    END_NOTHING,
    END_BLOCK,
    END_HEADING,
    END_LIST,
    END_FORMULA,
    END_CODE,
    END_LINK,
    END_BRACKET,
    END_CELL,
    END_ROW,
    END_HEAD,
    END_TABLE,
    END_ADDRESS,
    END_SKIP
};

struct heading {
    int level;
    char id[MD_ANCHOR_ID_SIZE]; /* of its section; "" for none, or not the first in it */
    char *text;
};

struct md_page {
    const char *left_out, *instead;
    struct markup_reader *reader;
    FILE *out; /* the page so far, links still as marks */
    char *text;
    size_t length;
    /* The block that is being written. */
    enum block block;
    FILE *line;
    char *line_text;
    size_t line_length;
    struct md_text inside;
    int level;       /* of a heading */
    int item;        /* number of the next item, where the list has an order; else 0 */
    bool breaks;     /* after a line break whose meaning the next element tells */
    bool in_code;    /* the words of a code span, kept apart until it ends */
    char *code_text; /* what a code span holds */
    size_t code_length;
    FILE *code;
    /* The elements that are open. */
    enum ending endings[DEPTH_MAX];
    char address[DEPTH_MAX][MD_ANCHOR_ID_SIZE];
    size_t depth, skip; /* skip: at that depth what is left out began; 0: nothing is left out */
    size_t section_depth;
    bool leaves_out;
    char section[MD_ANCHOR_ID_SIZE];
    /* Headings that nothing followed yet: without anything they are left out. */
    struct heading pending[PENDING_MAX];
    size_t pending_count;
    struct md_anchors anchors; /* of the headings written */
    struct md_table table;
    bool in_table, in_head;
    size_t span;
    bool heads, number;
    bool lost;
};

static void drop_pending(struct md_page *p, int level)
{
    while (p->pending_count > 0 && p->pending[p->pending_count - 1].level >= level)
        free(p->pending[--p->pending_count].text);
}

/* Something is about to be written: the headings over it come first. */
static FILE *content(struct md_page *p)
{
    for (size_t i = 0; i < p->pending_count; i++) {
        const struct heading *h = &p->pending[i];
        for (int k = 0; k < h->level; k++)
            fputc('#', p->out);
        fprintf(p->out, " %s\n\n", h->text);
        p->lost |= !md_anchors_add(&p->anchors, h->id, h->text);
    }
    drop_pending(p, 0);
    return p->out;
}

static void begin_block(struct md_page *p, enum block block)
{
    p->line = open_memstream(&p->line_text, &p->line_length);
    if (p->line == NULL) {
        p->lost = true;
        return;
    }
    p->block = block;
    p->breaks = false;
    /* A table without a head becomes a list. */
    md_text_begin(&p->inside, p->line,
                  block == BLOCK_PARAGRAPH || block == BLOCK_ITEM ||
                      (block == BLOCK_CELL && !p->in_head && p->table.head.count == 0));
}

static void put_heading(struct md_page *p)
{
    struct heading *h;
    drop_pending(p, p->level);
    if (p->pending_count == PENDING_MAX) {
        p->lost = true;
        return;
    }
    h = &p->pending[p->pending_count];
    h->level = p->level;
    memcpy(h->id, p->section, sizeof h->id);
    h->text = strdup(p->line_text);
    if (h->text == NULL) {
        p->lost = true;
        return;
    }
    p->section[0] = 0;
    p->pending_count++;
}

static void end_block(struct md_page *p)
{
    enum block block = p->block;
    if (block == BLOCK_NONE)
        return;
    p->block = BLOCK_NONE;
    if (fclose(p->line) != 0) {
        p->lost = true;
    } else if (block == BLOCK_CELL) {
        md_table_add(&p->table, p->line_text, p->span, p->heads, p->number);
    } else if (p->line_length > 0) {
        if (block == BLOCK_HEADING)
            put_heading(p);
        else if (block == BLOCK_RAW)
            md_text_fenced(content(p), p->line_text, p->line_length);
        else if (block == BLOCK_MARK)
            fprintf(content(p), "> **%s**\n\n", p->line_text);
        else if (block == BLOCK_ITEM && p->item > 0)
            fprintf(content(p), "%d. %s\n", p->item++, p->line_text);
        else if (block == BLOCK_ITEM)
            fprintf(content(p), "- %s\n", p->line_text);
        else
            fprintf(content(p), "%s\n\n", p->line_text);
    }
    free(p->line_text);
    p->line_text = NULL;
}

static void put_words(struct md_page *p, const char *words)
{
    if (p->block == BLOCK_RAW)
        fputs(words, p->line);
    else if (p->block != BLOCK_NONE)
        md_text_put(&p->inside, words, strlen(words));
}

static void on_text(void *context, const char *text, size_t length)
{
    struct md_page *p = context;
    size_t blank = 0;
    if (p->skip > 0 || p->lost)
        return;
    if (p->in_code) {
        fwrite(text, 1, length, p->code);
        return;
    }
    while (blank < length && strchr(" \t\r\n", text[blank]) != NULL)
        blank++;
    if (p->block == BLOCK_NONE && blank < length)
        begin_block(p, BLOCK_PARAGRAPH);
    if (p->block == BLOCK_NONE)
        return;
    if (p->breaks)
        put_words(p, " ");
    p->breaks = false;
    if (p->block == BLOCK_RAW)
        fwrite(text, 1, length, p->line);
    else
        md_text_put(&p->inside, text, length);
}

static bool has_class(const char *attributes, const char *name)
{
    char *classes = markup_attribute(attributes, "class");
    size_t length = strlen(name);
    bool found = false;
    for (const char *c = classes; c != NULL && *c != 0 && !found; c += strspn(c, " ")) {
        size_t word = strcspn(c, " ");
        found = word == length && strncmp(c, name, length) == 0;
        c += word;
    }
    free(classes);
    return found;
}

static enum ending block_of(struct md_page *p, enum block block, enum ending ending)
{
    end_block(p);
    begin_block(p, block);
    return ending;
}

/* A formula stands on a line of its own; the paragraph around it goes on behind it. */
static enum ending open_division(struct md_page *p, const char *attributes)
{
    if (!has_class(attributes, "formula"))
        return END_NOTHING;
    return block_of(p, BLOCK_RAW, END_FORMULA);
}

/* What has a line of its own in a cell: the coverage factor of a value, a setting, a flag. */
static enum ending open_span(struct md_page *p, const char *attributes)
{
    if (!has_class(attributes, "line") || p->block == BLOCK_RAW)
        return END_NOTHING;
    if (has_class(attributes, "flag")) {
        p->inside.blank &= p->block != BLOCK_CELL;
        put_words(p, p->block == BLOCK_CELL ? "; " : " ");
        return END_NOTHING;
    }
    put_words(p, has_class(attributes, "dim") ? " (" : " ");
    if (!has_class(attributes, "dim"))
        return END_NOTHING;
    return END_BRACKET;
}

static enum ending open_code(struct md_page *p)
{
    if (p->block == BLOCK_RAW || p->block == BLOCK_CELL)
        return END_NOTHING;
    p->code = open_memstream(&p->code_text, &p->code_length);
    p->in_code = p->code != NULL;
    p->lost |= p->code == NULL;
    return END_CODE;
}

/* A file beside the page, by letters that need no escape. */
static bool is_file_beside(const char *address)
{
    return address[0] != 0 && address[0] != '/' && address[0] != '.' &&
           strlen(address) < MD_ANCHOR_ID_SIZE * 2 &&
           strspn(address, "abcdefghijklmnopqrstuvwxyz0123456789-./") == strlen(address);
}

/* Numbers beside the page, which a reader may want to have. */
static bool is_table_beside(const char *name)
{
    const char *ending = strrchr(name, '.');
    return is_file_beside(name) && ending != NULL &&
           (strcmp(ending, ".csv") == 0 || strcmp(ending, ".json") == 0);
}

static void end_code(struct md_page *p)
{
    p->in_code = false;
    if (fclose(p->code) != 0) {
        p->lost = true;
    } else {
        if (p->block == BLOCK_NONE)
            begin_block(p, BLOCK_PARAGRAPH);
        bool linked = !p->lost && is_table_beside(p->code_text);
        if (linked)
            md_text_raw(&p->inside, "[");
        if (!p->lost)
            md_text_code(&p->inside, p->code_text, p->code_length);
        if (linked)
            fprintf(p->line, "](%s)", p->code_text);
    }
    free(p->code_text);
    p->code_text = NULL;
}

static enum ending open_link(struct md_page *p, const char *attributes)
{
    char *address = markup_attribute(attributes, "href");
    enum ending ending = END_NOTHING;
    if (address == NULL) {
        p->lost = true;
    } else if (p->block != BLOCK_NONE && p->block != BLOCK_RAW && address[0] == '#' &&
               strlen(address) < MD_ANCHOR_ID_SIZE) {
        md_text_raw(&p->inside, MD_ANCHOR_LINK);
        md_text_raw(&p->inside, address + 1);
        md_text_raw(&p->inside, MD_ANCHOR_WORDS);
        ending = END_LINK;
    } else if (p->block != BLOCK_NONE && p->block != BLOCK_RAW && is_file_beside(address) &&
               strlen(address) < MD_ANCHOR_ID_SIZE) {
        md_text_raw(&p->inside, "[");
        snprintf(p->address[p->depth], MD_ANCHOR_ID_SIZE, "%s", address);
        ending = END_ADDRESS;
    }
    free(address);
    return ending;
}

static void put_picture(struct md_page *p, const char *attributes)
{
    char *address = markup_attribute(attributes, "src"), *words = markup_attribute(attributes, "alt");
    end_block(p);
    if (address == NULL || words == NULL) {
        p->lost = true;
    } else if (is_file_beside(address)) {
        struct md_text text;
        fputs("![", content(p));
        md_text_begin(&text, p->out, false);
        md_text_put(&text, words, strlen(words));
        fprintf(p->out, "](%s)\n\n", address);
    }
    free(address);
    free(words);
}

static enum ending open_table(struct md_page *p)
{
    end_block(p);
    p->in_table = true;
    md_table_begin(&p->table, content(p));
    return END_TABLE;
}

static enum ending open_cell(struct md_page *p, const char *attributes, bool heads)
{
    char *span = markup_attribute(attributes, "colspan");
    p->span = span != NULL && span[0] != 0 ? strtoul(span, NULL, 10) : 1;
    p->heads = heads;
    p->number = has_class(attributes, "number");
    free(span);
    return block_of(p, BLOCK_CELL, END_CELL);
}

static enum ending open_section(struct md_page *p, const char *attributes)
{
    char *id = markup_attribute(attributes, "id");
    end_block(p);
    snprintf(p->section, sizeof p->section, "%s", id != NULL ? id : "");
    p->leaves_out = p->left_out != NULL && strcmp(p->section, p->left_out) == 0;
    p->section_depth = p->depth + 1;
    free(id);
    return END_BLOCK;
}

static enum ending open_list(struct md_page *p, bool ordered)
{
    end_block(p);
    p->item = ordered ? 1 : 0;
    return END_LIST;
}

static enum ending open_heading(struct md_page *p, int level)
{
    p->level = level;
    return block_of(p, BLOCK_HEADING, END_HEADING);
}

static bool one_of(const char *name, const char *const *names)
{
    for (; *names != NULL; names++) {
        if (strcmp(*names, name) == 0)
            return true;
    }
    return false;
}

static bool is(const char *name, const char *other)
{
    return strcmp(name, other) == 0;
}

/* Elements that stand inside a table. */
static enum ending open_in_table(struct md_page *p, const char *name, const char *attributes)
{
    if (is(name, "caption"))
        return block_of(p, BLOCK_PARAGRAPH, END_BLOCK);
    if (is(name, "thead")) {
        p->in_head = true;
        return END_HEAD;
    }
    if (is(name, "tr")) {
        md_table_begin_row(&p->table, p->in_head, has_class(attributes, "upper"));
        return END_ROW;
    }
    if (is(name, "td") || is(name, "th"))
        return open_cell(p, attributes, is(name, "th"));
    return END_NOTHING;
}

static enum ending open_element(struct md_page *p, const char *name, const char *attributes)
{
    static const char *const left_out[] = {"head",    "style", "script", "nav",    "footer", "svg",
                                           "details", "form",  "button", "select", NULL};
    static const char *const paragraphs[] = {"p", "dd", "figcaption", "summary", NULL};
    if (one_of(name, left_out))
        return END_SKIP;
    if (is(name, "p") && has_class(attributes, "simulated"))
        return block_of(p, BLOCK_MARK, END_BLOCK);
    if (one_of(name, paragraphs))
        return block_of(p, BLOCK_PARAGRAPH, END_BLOCK);
    if (name[0] == 'h' && isdigit((unsigned char)name[1]) && name[2] == 0)
        return open_heading(p, name[1] - '0');
    if (is(name, "dt"))
        return open_heading(p, DEFINED_LEVEL);
    if (is(name, "li"))
        return block_of(p, BLOCK_ITEM, END_BLOCK);
    if (is(name, "ul") || is(name, "ol"))
        return open_list(p, is(name, "ol"));
    if (is(name, "pre"))
        return block_of(p, BLOCK_RAW, END_BLOCK);
    if (is(name, "section"))
        return open_section(p, attributes);
    if (is(name, "table"))
        return open_table(p);
    if (is(name, "div"))
        return open_division(p, attributes);
    if (is(name, "span"))
        return open_span(p, attributes);
    if (is(name, "code"))
        return open_code(p);
    if (is(name, "a"))
        return open_link(p, attributes);
    if (is(name, "img"))
        put_picture(p, attributes);
    else if (is(name, "br"))
        p->breaks = true;
    else if (is(name, "sub"))
        put_words(p, "_");
    else if (is(name, "sup"))
        put_words(p, "^");
    else if (p->in_table)
        return open_in_table(p, name, attributes);
    return END_NOTHING;
}

static void on_open(void *context, const char *name, const char *attributes)
{
    struct md_page *p = context;
    enum ending ending = END_NOTHING;
    if (p->depth + 1 >= DEPTH_MAX)
        p->lost = true;
    if (p->skip == 0 && !p->lost)
        ending = open_element(p, name, attributes);
    if (p->lost)
        return;
    p->endings[p->depth++] = ending;
    if (ending == END_SKIP)
        p->skip = p->depth;
}

static void end_heading(struct md_page *p)
{
    end_block(p);
    if (!p->leaves_out)
        return;
    fprintf(content(p), "%s\n\n", p->instead);
    p->skip = p->section_depth;
    p->leaves_out = false;
}

static void end_table(struct md_page *p)
{
    end_block(p);
    p->lost |= !md_table_end(&p->table);
    p->in_table = false;
}

static void end_in_line(struct md_page *p, enum ending ending, size_t depth)
{
    if (p->block == BLOCK_NONE)
        return;
    if (ending == END_BRACKET) {
        md_text_put(&p->inside, ")", 1);
    } else if (ending == END_LINK) {
        fputs(MD_ANCHOR_END, p->line);
    } else if (ending == END_ADDRESS) {
        fprintf(p->line, "](%s)", p->address[depth]);
    }
}

static void on_close(void *context, const char *name)
{
    struct md_page *p = context;
    (void)name;
    if (p->lost || p->depth == 0)
        return;
    enum ending ending = p->endings[--p->depth];
    if (p->skip > 0) {
        if (p->depth < p->skip)
            p->skip = 0;
        return;
    }
    switch (ending) {
    case END_BLOCK:
    case END_CELL:
        end_block(p);
        break;
    case END_HEADING:
        end_heading(p);
        break;
    case END_LIST:
        end_block(p);
        fputc('\n', p->out);
        break;
    case END_FORMULA:
        end_block(p);
        begin_block(p, BLOCK_PARAGRAPH);
        break;
    case END_CODE:
        end_code(p);
        break;
    case END_ROW:
        md_table_end_row(&p->table);
        break;
    case END_HEAD:
        p->in_head = false;
        break;
    case END_TABLE:
        end_table(p);
        break;
    default:
        end_in_line(p, ending, p->depth);
    }
}

struct md_page *md_page_new(const char *left_out, const char *instead)
{
    struct md_page *p = calloc(1, sizeof *p);
    struct markup_events events = {on_open, on_close, on_text, p};
    if (p == NULL)
        return NULL;
    p->left_out = left_out;
    p->instead = instead;
    p->reader = markup_reader_new(&events);
    p->out = open_memstream(&p->text, &p->length);
    if (p->reader == NULL || p->out == NULL) {
        md_page_free(p);
        return NULL;
    }
    return p;
}

void md_page_free(struct md_page *p)
{
    if (p == NULL)
        return;
    if (p->block != BLOCK_NONE) {
        fclose(p->line);
        free(p->line_text);
    }
    if (p->in_code) {
        fclose(p->code);
        free(p->code_text);
    }
    if (p->in_table)
        md_table_end(&p->table);
    if (p->out != NULL)
        fclose(p->out);
    drop_pending(p, 0);
    md_anchors_free(&p->anchors);
    free(p->text);
    markup_reader_free(p->reader);
    free(p);
}

bool md_page_put(struct md_page *p, const char *bytes, size_t length)
{
    return !p->lost && markup_reader_put(p->reader, bytes, length) && !p->lost;
}

enum err_code md_page_end(struct md_page *p, FILE *out, struct err *e)
{
    enum err_code code = markup_reader_end(p->reader, e);
    if (code != ERR_OK)
        return code;
    end_block(p);
    p->lost |= fflush(p->out) != 0 || ferror(p->out) != 0;
    if (p->lost)
        return err_set(e, ERR_MEMORY, "out of memory for the report");
    md_anchors_write(&p->anchors, p->text, p->length, out);
    return ERR_OK;
}
