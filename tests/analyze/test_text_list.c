#include "analyze/text_list.h"

#include <criterion/criterion.h>

Test(text_list, sentences_stay_in_their_order)
{
    struct text_list list = {.count = 0};
    text_list_add(&list, "nip preload differs");
    text_list_add(&list, "");
    text_list_add(&list, "lot differs");
    cr_assert_eq(list.count, 3);
    cr_expect_str_eq(text_list_at(&list, 0), "nip preload differs");
    cr_expect_str_eq(text_list_at(&list, 1), "");
    cr_expect_str_eq(text_list_at(&list, 2), "lot differs");
    cr_expect_eq(list.size, sizeof "nip preload differs" + 1 + sizeof "lot differs",
                 "no more room than they take");
    cr_expect(text_list_holds(&list, "lot differs") && !text_list_holds(&list, "lot"));
    text_list_free(&list);
    cr_expect(list.count == 0 && list.all == NULL);
    text_list_free(&list);
}
