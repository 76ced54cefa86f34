/* Every line of standard input as each kind of text that a Markdown page holds, with a rule after each, for
 * check_md_text.py to have rendered. */
#include "analyze/report/md_text.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>

static void put(const char *before, const char *line, const char *after, bool begins)
{
    struct md_text t;
    fputs(before, stdout);
    md_text_begin(&t, stdout, begins);
    /* In two pieces: what is escaped must not depend on how a text is cut. */
    md_text_put(&t, line, strlen(line) / 2);
    md_text_put(&t, line + strlen(line) / 2, strlen(line) - strlen(line) / 2);
    printf("%s\n***\n\n", after);
}

int main(void)
{
    char *line = NULL;
    size_t size = 0;
    ssize_t length;
    while ((length = getline(&line, &size, stdin)) > 0) {
        struct md_text t;
        line[strcspn(line, "\n")] = 0;
        put("", line, "\n", true);
        put("- ", line, "\n", true);
        put("## ", line, "\n", false);
        put("| head | other |\n| --- | --- |\n| ", line, " | 1 |\n", false);
        put("![", line, "](a.svg)\n", false);
        md_text_begin(&t, stdout, true);
        md_text_put(&t, "x ", 2);
        md_text_code(&t, line, strlen(line));
        fputs("\n\n***\n\n", stdout);
        md_text_fenced(stdout, line, strlen(line));
        fputs("***\n\n", stdout);
    }
    free(line);
    return 0;
}
