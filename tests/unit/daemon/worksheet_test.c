/* 'dosewright worksheet', run within this process: what stands on the sheet for terminals, that
 * both forms tell the same, and that a bad file is refused as 'check' refuses it. How the page
 * looks is judged by tests/system/worksheet_test.py. */
#include <fcntl.h>
#include <sysexits.h>

#include "daemon/tool/caution.h"
#include "daemon/tool/cmd.h"
#include "daemon/worksheet/worksheet.h"
#include "tests/unit/daemon/config_fixture.h"

enum { OUTPUT_MAX = 512 * 1024, WORDS_MAX = 6 };

static char out_text[OUTPUT_MAX], err_text[OUTPUT_MAX], other_text[OUTPUT_MAX];

static void slurp(char *ret, const char *path)
{
    FILE *f = fopen(path, "r");
    ck_assert_msg(f != NULL, "%s isn't there", path);
    const size_t n = fread(ret, 1, OUTPUT_MAX - 1, f);
    ret[n] = '\0';
    fclose(f);
}

/* Runs a subcommand with up to five words, ended by NULL. */
static int run(int (*command)(int, char **), const char *const *words)
{
    static char copy[WORDS_MAX][256];
    char *argv[WORDS_MAX + 1] = { NULL };
    char out[128], err[128];
    int argc = 0;
    for (; words[argc]; argc++) {
        ck_assert(argc < WORDS_MAX && text_copy(copy[argc], sizeof copy[argc], words[argc]));
        argv[argc] = copy[argc];
    }
    fixture_path(out, "stdout");
    fixture_path(err, "stderr");
    fflush(stdout);
    fflush(stderr);
    const int old_out = dup(STDOUT_FILENO), old_err = dup(STDERR_FILENO);
    const int new_out = open(out, O_CREAT | O_TRUNC | O_WRONLY, 0600);
    const int new_err = open(err, O_CREAT | O_TRUNC | O_WRONLY, 0600);
    dup2(new_out, STDOUT_FILENO);
    dup2(new_err, STDERR_FILENO);
    const int code = command(argc, argv);
    fflush(stdout);
    fflush(stderr);
    dup2(old_out, STDOUT_FILENO);
    dup2(old_err, STDERR_FILENO);
    close(old_out), close(old_err), close(new_out), close(new_err);
    slurp(out_text, out);
    slurp(err_text, err);
    return code;
}

static int worksheet(const char *a, const char *b, const char *c)
{
    const char *const words[] = { "worksheet", a, b, c, NULL };
    return run(cmd_worksheet, words);
}

/* The fixture's files on disk, its dates moved to the past; the site file's path. */
static const char *sample(void)
{
    static char path[128];
    for (int i = 0; i < FIXTURE_FILES; i++) {
        for (char *at = strstr(fixture_text[i], "2031-"); at; at = strstr(at, "2031-")) {
            memcpy(at, "2021-", 5);
        }
        fixture_write(fixture_files[i].name, fixture_text[i]);
    }
    fixture_path(path, "site.yaml");
    return path;
}

static const char *shipped(const char *name)
{
    static char path[256];
    snprintf(path, sizeof path, "%s/config/%s", SOURCE_DIR, name);
    return path;
}

static void expect(const char *words)
{
    if (!strstr(out_text, words)) printf("%s\n", out_text);
    ck_assert_msg(strstr(out_text, words) != NULL, "'%s' isn't there", words);
}

/* --- what stands on it ------------------------------------------------------------------------ */

START_TEST(the_chain_is_drawn_in_its_order)
{
    ck_assert_int_eq(worksheet(sample(), NULL, NULL), EX_OK);
    expect("[head] chain west, device west, supply 12.0 V 4.00 A through a fuse\n"
           "   |\n"
           "   |  AWG 20, 1.0 m\n"
           "   |\n"
           "  [1] module a1f3\n"
           "   |   - circulation of bench\n"
           "   |   - pump 1: bottle leaf-a --> line of bench\n"
           "   |   - pump 3: bottle leaf-b --> line of bench\n"
           "   |\n"
           "   |  AWG 20, 1.0 m\n"
           "   |\n"
           "  [2] module b77c\n"
           "   |   - pump 4: bottle acid --> line of bench\n"
           "   end of the chain\n");
    expect("Never connect anything but these\nmodules to a cable that carries supply voltage");
}
END_TEST

START_TEST(every_tube_is_listed_with_what_primes_it)
{
    ck_assert_int_eq(worksheet(sample(), NULL, NULL), EX_OK);
    /* pi/4 * 4 mm * 4 mm * 2 m = 25.13 mL; at 0.98 mL/s that is 25.65 s */
    expect("  [ ] west/1.1   a1f3    leaf-a       bench\n"
           "  [ ] west/1.3   a1f3    leaf-b       bench            2 m, 4 mm    25.1 mL, 26 s\n"
           "  [ ] west/2.4   b77c    acid         bench\n");
}
END_TEST

START_TEST(the_supply_is_what_check_says)
{
    ck_assert_int_eq(worksheet(sample(), NULL, NULL), EX_OK);
    /* the figures of check_test.c: 1.57 A with the bench at work, 5.97 A as circulation starts,
     * 11.60 and 11.57 V in that moment, five pumps beside circulation */
    expect("Drawn: 0.12\nA at rest, 1.57 A with the tank at work that draws most");
    expect("5.97 A for a moment as a motor starts");
    expect("  1 a1f3    AWG 20, 1.0 m     11.99     11.90    11.90    11.60    10.8       5\n");
    expect("    11.57    10.8       5\n");
}
END_TEST

START_TEST(labels_have_contents_hazards_and_what_to_keep_apart)
{
    ck_assert_int_eq(worksheet(sample(), NULL, NULL), EX_OK);
    expect("leaf-b - nutrient stock part-b\n"
           "  contents      in a litre: KH2PO4 13.6 g, MgSO4.7H2O 49.3 g\n"
           "  hazards       Concentrate: not for drinking, not for plants undiluted\n"
           "  apart from    leaf-a\n"
           "  pump          west/1.3 for bench\n"
           "  bottle        2500.5 mL; made on");
    expect("acid - acid nitric-5\n"
           "  contents      nitric acid, 5 % by weight, 1.026 g/mL; 1 mL neutralises 0.814\n");
    expect("  hazards       ACID, corrosive: burns skin and eyes\n"
           "                OXIDISER");
    expect("leaf-a and leaf-b: gypsum falls out");
    expect("First the safety data sheet of each product");
}
END_TEST

START_TEST(limits_and_the_order_of_work_follow)
{
    ck_assert_int_eq(worksheet(sample(), NULL, NULL), EX_OK);
    expect("  leaf-b                 0.5       30.5        100        400      0.98\n");
    expect("pH 5.2 to 6.8");
    expect("level is below 40 %");
    /* 1000 mL of 0.814 meq/mL in 120 L: 6.8 meq/L */
    expect("A whole bottle of acid in this tank would be 6.8 meq/L");
    expect("  [ ] Circulation of bench: a bucket of 10 L fills in ______ s (120 s at the");
    expect("  [ ] west/2.4, acid into bench: it is the pump that ticks");
    const char *before = strstr(out_text, "Before anything is wet\n");
    const char *wiring = strstr(out_text, "Mounting and wiring"),
               *power = strstr(out_text, "First power");
    const char *stocks = strstr(out_text, "\nStocks\n");
    ck_assert(before && wiring && power && stocks);
    ck_assert(before < wiring && wiring < power && power < stocks);
}
END_TEST

START_TEST(no_line_is_wider_than_a_terminal)
{
    static const char *const files[] = { "site.yaml", "three-part.yaml" };
    ck_assert_int_eq(worksheet(shipped(files[_i]), NULL, NULL), EX_OK);
    for (const char *line = out_text; *line; line += strcspn(line, "\n") + 1) {
        const size_t length = strcspn(line, "\n");
        ck_assert_msg(length <= 80, "%.*s", (int)length, line);
        for (size_t i = 0; i < length; i++) {
            ck_assert_int_lt((unsigned char)line[i], 0x80);
        }
    }
}
END_TEST

/* --- forms and files -------------------------------------------------------------------------- */

/* How often a text stands in another. */
static int count(const char *text, const char *words)
{
    int n = 0;
    for (const char *at = strstr(text, words); at; at = strstr(at + 1, words)) {
        n++;
    }
    return n;
}

START_TEST(both_forms_have_the_same_boxes_and_cautions)
{
    const char *file = shipped("three-part.yaml");
    ck_assert_int_eq(worksheet(file, "--text", NULL), EX_OK);
    const int boxes = count(out_text, "\n  [ ] "), cautions = count(out_text, "\n  ! ");
    const int labels = count(out_text, "\n  contents");
    ck_assert_int_gt(boxes, 25);
    ck_assert_int_gt(cautions, 10);
    ck_assert_int_eq(labels, 5);
    ck_assert_int_eq(worksheet("--html", "-", file), EX_OK);
    ck_assert_int_eq(strncmp(out_text, WORKSHEET_HTML_START, strlen(WORKSHEET_HTML_START)), 0);
    ck_assert_int_eq(count(out_text, "class=\"box\"") + count(out_text, "class=\"tick\""), boxes);
    ck_assert_int_eq(count(out_text, "class=\"caution\""), cautions);
    ck_assert_int_eq(count(out_text, "class=\"label\""), labels);
    expect("BASE, hurts eyes and skin; foams with acid");
    expect("Acid and base have trays of their own");
}
END_TEST

START_TEST(a_page_is_written_whole_and_never_over_something_else)
{
    static char path[128], notes[128], page[OUTPUT_MAX];
    fixture_path(path, "sheet.html");
    fixture_path(notes, "notes.txt");
    const char *file = sample();
    const char *const forced[] = { "worksheet", "--force", "--html", notes, file, NULL };
    ck_assert_int_eq(worksheet("--html", path, file), EX_OK);
    slurp(page, path);
    ck_assert_ptr_nonnull(strstr(page, "</html>\n"));
    ck_assert_int_eq(worksheet("--html", path, file), EX_OK); /* over itself */
    fixture_write("notes.txt", "my notes\n");
    ck_assert_int_eq(worksheet("--html", notes, file), EX_CANTCREAT);
    ck_assert_ptr_nonnull(strstr(err_text, "a file that isn't a worksheet"));
    slurp(page, notes);
    ck_assert_str_eq(page, "my notes\n");
    ck_assert_int_eq(run(cmd_worksheet, forced), EX_OK);
    slurp(page, notes);
    ck_assert_ptr_nonnull(strstr(page, "</html>\n"));
    ck_assert_int_eq(worksheet("--html", "/nowhere/sheet.html", file), EX_IOERR);
}
END_TEST

START_TEST(a_bad_file_gets_the_errors_of_check)
{
    fixture_change(0, "volume_l: 120", "volume_l: lots");
    fixture_change(0, "lowers_ph: acid", "lowers_ph: acd");
    const char *file = sample();
    const char *const words[] = { "check", file, NULL };
    ck_assert_int_eq(run(cmd_check, words), EX_CONFIG);
    ck_assert(text_copy(other_text, sizeof other_text, err_text));
    ck_assert_int_eq(worksheet(file, NULL, NULL), EX_CONFIG);
    ck_assert_str_eq(err_text, other_text);
    ck_assert_ptr_nonnull(strstr(err_text, "did you mean 'acid'?"));
    ck_assert_str_eq(out_text, "");
}
END_TEST

START_TEST(wrong_arguments_end_with_64)
{
    static const char *const wrong[][3] = { { NULL, NULL, NULL }, { "--html", NULL, NULL },
        { "--pdf", "site.yaml", NULL }, { "a.yaml", "b.yaml", NULL }, { "--text", "--html", "-" } };
    ck_assert_int_eq(worksheet(wrong[_i][0], wrong[_i][1], wrong[_i][2]), EX_USAGE);
    ck_assert_ptr_nonnull(strstr(err_text, "usage: dosewright worksheet"));
    ck_assert_int_eq(worksheet("--help", NULL, NULL), EX_OK);
}
END_TEST

/* --- cautions --------------------------------------------------------------------------------- */

static unsigned hazards_of(const char *formula)
{
    const struct stock_solution s = {
        .kind = STOCK_NUTRIENT, .salt_count = 1, .salt = { { formula, 10 } }
    };
    return caution_of_solution(&s);
}

START_TEST(hazards_follow_from_what_is_in_the_bottle)
{
    ck_assert(hazards_of("KNO3") & SALT_OXIDISER);
    ck_assert(!(hazards_of("KH2PO4") & SALT_OXIDISER));
    ck_assert(hazards_of("H3BO3") & SALT_BORON);
    ck_assert(hazards_of("CuSO4.5H2O") & SALT_METAL);
    const struct stock_solution label = { .kind = STOCK_NUTRIENT,
        .has_label = true,
        .label = { .n_percent = 3, .ammonium_n_percent = 3, .density_g_ml = 1 } };
    ck_assert(!(caution_of_solution(&label) & SALT_OXIDISER)); /* all of it is ammonium */
    struct stock_solution acid = { .kind = STOCK_ACID, .reagent = REAGENT_SULFURIC };
    ck_assert_ptr_nonnull(strstr(caution_on_label(caution_of_solution(&acid), 0), "ACID"));
    acid.kind = STOCK_BASE;
    acid.reagent = REAGENT_POTASSIUM_HYDROXIDE;
    ck_assert_ptr_nonnull(strstr(caution_on_label(caution_of_solution(&acid), 0), "BASE"));
    ck_assert_ptr_null(caution_on_label(caution_of_solution(&acid), 1));
}
END_TEST

START_TEST(the_last_caution_is_the_safety_data_sheet)
{
    size_t i = 0;
    while (caution_words(SALT_OXIDISER | CAUTION_STOCKS, i)) {
        i++;
    }
    ck_assert_uint_eq(i, 3);
    ck_assert_ptr_eq(caution_words(SALT_OXIDISER | CAUTION_STOCKS, 2), caution_last);
}
END_TEST

int main(void)
{
    TCase *c = tcase_create("worksheet");
    tcase_add_checked_fixture(c, fixture_make, fixture_remove);
    tcase_set_timeout(c, 30);
    tcase_add_test(c, the_chain_is_drawn_in_its_order);
    tcase_add_test(c, every_tube_is_listed_with_what_primes_it);
    tcase_add_test(c, the_supply_is_what_check_says);
    tcase_add_test(c, labels_have_contents_hazards_and_what_to_keep_apart);
    tcase_add_test(c, limits_and_the_order_of_work_follow);
    tcase_add_loop_test(c, no_line_is_wider_than_a_terminal, 0, 2);
    tcase_add_test(c, both_forms_have_the_same_boxes_and_cautions);
    tcase_add_test(c, a_page_is_written_whole_and_never_over_something_else);
    tcase_add_test(c, a_bad_file_gets_the_errors_of_check);
    tcase_add_loop_test(c, wrong_arguments_end_with_64, 0, 5);
    tcase_add_test(c, hazards_follow_from_what_is_in_the_bottle);
    tcase_add_test(c, the_last_caution_is_the_safety_data_sheet);
    return run_case(c, "worksheet");
}
