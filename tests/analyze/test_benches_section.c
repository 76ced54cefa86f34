#include "analyze/benches_section.h"

#include <criterion/criterion.h>

static struct benches_section section;
static struct err e, why;

Test(benches_section, the_first_reason_stays)
{
    benches_section_refuse(&section, "%d of %d are bounds", 3, 17);
    benches_section_refuse(&section, "another");
    cr_expect_str_eq(section.why_not, "3 of 17 are bounds");
    cr_expect_not(section.answered);
}

Test(benches_section, an_answer_is_settled_and_none_is_no_error)
{
    cr_expect_eq(benches_section_settle(ERR_OK, &why, &section, &e), ERR_OK);
    cr_expect(section.answered && section.why_not[0] == 0);
    err_set(&why, ERR_NO_ANSWER, "all are the same");
    cr_expect_eq(benches_section_settle(ERR_NO_ANSWER, &why, &section, &e), ERR_OK);
    cr_expect(!section.answered && e.code == ERR_OK);
    cr_expect_str_eq(section.why_not, "all are the same");
}

Test(benches_section, what_is_an_error_is_handed_on)
{
    err_set(&why, ERR_MEMORY, "out of memory for %d values", 17);
    cr_expect_eq(benches_section_settle(ERR_MEMORY, &why, &section, &e), ERR_MEMORY);
    cr_expect(!section.answered && section.why_not[0] == 0 && e.code == ERR_MEMORY);
    cr_expect_str_eq(e.text, "out of memory for 17 values");
}

Test(benches_section, the_rest_is_called_by_what_is_in_it)
{
    section.factor_count = 1;
    section.factors[0] = BENCHES_SERIES;
    cr_expect_str_eq(benches_section_source(&section, 0), "setting up again");
    cr_expect_str_eq(benches_section_source(&section, 1), "repeat");
    section.refits_alone = true;
    cr_expect_str_eq(benches_section_source(&section, 1), "refit and repeat");
}
