/* Suite md_anchor: anchors of headings, and the links that lead to them. */
#include "analyze/report/md_anchor.h"

#include <criterion/criterion.h>
#include <stdlib.h>
#include <string.h>

Test(md_anchor, anchors_are_small_letters_and_numbered_where_alike)
{
    static const char *const rows[][2] = {{"The answer", "the-answer"},
                                          {"What gave way, and how", "what-gave-way-and-how"},
                                          {"The  Answer!", "the--answer"},
                                          {"THE ANSWER", "the-answer-1"},
                                          {"the-answer", "the-answer-2"},
                                          {"8 mm (\u00e9)_x", "8-mm-\u00e9_x"},
                                          {"", ""},
                                          {"", "-1"}};
    struct md_anchors a = {0};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        cr_assert(md_anchors_add(&a, "", rows[i][0]));
        cr_expect_str_eq(a.list[i].text, rows[i][1], "%s", rows[i][0]);
    }
    md_anchors_free(&a);
    cr_expect_eq(a.count, 0);
}

Test(md_anchor, a_link_leads_to_its_section_or_is_only_words)
{
    static const char page[] =
        "see \001how\002the *way*\003, \001gone\002what is gone\003, \001\002none\003, "
        "\001ho\002part\003, \001how\002again\003.";
    struct md_anchors a = {0};
    char *text = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&text, &length);
    cr_assert(out != NULL && md_anchors_add(&a, "", "The way") && md_anchors_add(&a, "how", "The way"));
    md_anchors_write(&a, page, strlen(page), out);
    fclose(out);
    cr_expect_str_eq(text, "see [the *way*](#the-way-1), what is gone, none, part, [again](#the-way-1).");
    free(text);
    md_anchors_free(&a);
}
