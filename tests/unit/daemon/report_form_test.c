/* The forms of a report: whatever the texts hold, each stays well-formed, and a terminal's lines
 * fit it. */
#include "lib/base/text.h"
#include "tests/unit/daemon/report_fixture.h"

/* For checks of each character: ck_assert_msg is too slow for that. */
#define MUST(ok, ...)                                                                              \
    do {                                                                                           \
        if (!(ok)) ck_abort_msg(__VA_ARGS__);                                                      \
    } while (0)

/* Texts that try to be something else. */
static const char *const hostile[] = {
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>",
    "' onmouseover='alert(1)",
    "</title></style></svg><svg onload=alert(1)>",
    "--><script>",
    "]]>&lt;&amp;&#x3c;",
    "\x1b[31mred\x1b[0m\x07\r\n\t\x7f",
    "\xc2\x9b"
    "31m and \xe2\x80\xae"
    "txet\xe2\x80\xa8line",
    "=HYPERLINK(\"http://example.org\")",
    "+1+1, \"two\", three",
    "@SUM(A1)",
    "-2",
    "back\\slash \"quote\" \\u0041 \\",
    "broken \xff\xfe\xc3( \xed\xa0\x80 utf-8",
    "\xef\xbf\xbe\xef\xbf\xbf\xf0\x9f\x8c\xb1",
    "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa",
    "%s%n%d",
    "",
};
enum { HOSTILE = sizeof hostile / sizeof *hostile };

/* A report in which each text is the same, from everywhere that a text can come from. */
static struct report *report_of_text(const char *s)
{
    static const char *columns[] = { "", "", "" };
    const struct report_want want = { .title = s, .subtitle = s, .truth = s };
    const char *tank = s[0] ? s : "bench";
    struct record record;
    struct report *r = report_new(&want);
    ck_assert_ptr_nonnull(r);
    for (int i = 0; i < 5; i++) {
        take_water(r, tank, i * 10, 1200 + i, 5.8);
        report_truth(r, tank, REPORT_EC, at_minute(i * 10), 1201);
    }
    record_start(&record, "water");
    record_add_text(&record, "tank", tank);
    record_add_text(&record, "state", s);
    report_take(r, &record, at_minute(60));
    record_start(&record, "dose");
    record_add_text(&record, "id", s);
    record_add_text(&record, "tank", tank);
    record_add_text(&record, "stock", s);
    record_add_text(&record, "purpose", s);
    record_add_int(&record, "ul", 1000);
    report_take(r, &record, at_minute(20));
    take_alert(r, s, 25, true, tank);
    record_start(&record, "alert");
    record_add_text(&record, "alert", s);
    record_add_truth(&record, "on", true);
    record_add_text(&record, "text", s);
    report_take(r, &record, at_minute(26));
    take_carry(r, s, 27, 5000);
    report_name_tank(r, tank, s);
    report_note(r, s);
    columns[0] = columns[1] = columns[2] = s;
    const struct report_table whole = { .id = s, .heading = s, .columns = 3, .column = columns };
    const struct report_table of_tank = { .tank = tank, .id = s, .heading = s };
    report_row(r, report_section(r, &whole), columns);
    report_pair(r, report_section(r, &of_tank), s, s);
    return r;
}

/* --- HTML ------------------------------------------------------------------------------------- */

/* Reads tags as a parser would: no attribute may begin with "on", no element but ours. What is
 * found of a hostile text between tags is text. */
static void check_tag(const char *tag, size_t length)
{
    static const char *const known[] = { "!doctype", "!--", "html", "head", "meta", "link", "title",
        "style", "body", "header", "main", "footer", "h1", "h2", "h3", "p", "ul", "ol", "li", "nav",
        "section", "a", "code", "dl", "dt", "dd", "div", "span", "b", "i", "figure", "figcaption",
        "svg", "g", "line", "path", "circle", "text", "time", "table", "caption", "thead", "tbody",
        "tfoot", "tr", "th", "td" };
    const char *name = tag[0] == '/' ? tag + 1 : tag;
    const size_t wide = strcspn(name, " />\n");
    bool found = false;
    for (size_t i = 0; i < sizeof known / sizeof *known && !found; i++) {
        found = strlen(known[i]) == wide && strncmp(known[i], name, wide) == 0;
    }
    MUST(found, "an element of another's: %.40s", tag);
    bool quoted = false;
    for (size_t i = 0; i < length; i++) {
        if (tag[i] == '"') quoted = !quoted;
        const bool begins = !quoted && tag[i] == ' ';
        MUST(!begins || strncmp(tag + i + 1, "on", 2) != 0, "a handler: %.80s", tag);
    }
    MUST(!quoted, "a quote that isn't closed: %.80s", tag);
}

/* Only characters that XML allows, too, and no '&' but of ours. */
static void check_characters(const char *html)
{
    static const char *const ours[] = { "&amp;", "&lt;", "&gt;", "&quot;", "&#39;" };
    ck_assert_ptr_null(strstr(html, "\xef\xbf\xbe"));
    ck_assert_ptr_null(strstr(html, "\xef\xbf\xbf"));
    for (const char *at = strchr(html, '&'); at; at = strchr(at + 1, '&')) {
        bool found = false;
        for (size_t i = 0; i < sizeof ours / sizeof *ours && !found; i++) {
            found = strncmp(at, ours[i], strlen(ours[i])) == 0;
        }
        MUST(found, "not escaped: %.20s", at);
    }
}

static void check_html(const char *html)
{
    check_characters(html);
    ck_assert_int_eq(strncmp(html, "<!doctype html>\n", 16), 0);
    const char *at = html;
    for (const char *open = strchr(at, '<'); open; open = strchr(at, '<')) {
        for (const char *c = at; c < open; c++) {
            MUST(*c != '>' || strncmp(at, ":root", 5) == 0 || c[-1] != ' ', "a lone bracket: %.40s",
                c);
            MUST((unsigned char)*c >= ' ' || *c == '\n', "a control character");
        }
        const char *close = open + 1;
        for (bool quoted = false; *close && (quoted || *close != '>'); close++) {
            if (*close == '"') quoted = !quoted;
            MUST(*close != '<', "a bracket in a tag: %.60s", open);
        }
        ck_assert_int_eq(*close, '>');
        check_tag(open + 1, (size_t)(close - open - 1));
        at = close + 1;
    }
    ck_assert_int_eq(count_of(html, "<script"), 0);
    ck_assert_int_eq(count_of(html, "http://"), count_of(html, "http://example.org"));
    ck_assert_int_eq(count_of(html, "<svg"), count_of(html, "</svg>"));
}

START_TEST(hostile_texts_stay_text_in_html)
{
    struct report *r = report_of_text(hostile[_i]);
    finish(r);
    char *html = written(r, REPORT_HTML, NULL);
    check_html(html);
    ck_assert_int_eq(count_of(html, "<circle class=\"dose"), 1);
    ck_assert_int_eq(count_of(html, "<line class=\"alert\""), 1);
    ck_assert_int_eq(count_of(html, "<path class=\"truth\""), 1);
    free(html);
    report_free(r);
}
END_TEST

/* --- JSON ------------------------------------------------------------------------------------- */

static void check_no_control(const char *s)
{
    for (; *s; s++) {
        ck_assert_uint_ge((unsigned char)*s, ' ');
        ck_assert_uint_ne((unsigned char)*s, 0x7f);
    }
}

START_TEST(hostile_texts_stay_text_in_json)
{
    const char *s = hostile[_i];
    cJSON *json = as_json(report_of_text(s));
    const char *title = word(json, "title");
    check_no_control(title);
    bool plain = true;
    for (const char *c = s; *c; c++) {
        if (*c < ' ' || *c == 0x7f) plain = false;
    }
    if (plain) ck_assert_str_eq(title, s);
    ck_assert_str_eq(word(cJSON_GetArrayItem(member(json, "alerts"), 0), "text"), title);
    cJSON_Delete(json);
}
END_TEST

START_TEST(cells_that_are_numbers_are_numbers_in_json)
{
    static const char *const columns[] = { "a", "b", "c", "d", "e", "f" };
    static const char *const cells[] = { "12.50", "-0", "1e3", "", "012", "3 mL" };
    struct report *r = new_report();
    take_water(r, "bench", 0, 1200, 5.8);
    const struct report_table table = {
        .id = "what-if", .heading = "What if", .columns = 6, .column = columns
    };
    report_row(r, report_section(r, &table), cells);
    finish(r);
    char *html = written(r, REPORT_HTML, NULL);
    ck_assert_int_eq(count_of(html, " class=\"word\""), 4); /* heading and cell of e and f */
    ck_assert_int_eq(count_of(html, "The time went to: holding 100.0 %"), 1);
    free(html);
    cJSON *json = as_json(r);
    const cJSON *section = cJSON_GetArrayItem(member(json, "sections"), 0);
    ck_assert_str_eq(word(section, "id"), "what-if");
    const cJSON *row = cJSON_GetArrayItem(member(section, "rows"), 0);
    ck_assert_double_eq(cJSON_GetArrayItem(row, 0)->valuedouble, 12.5);
    ck_assert(cJSON_IsNumber(cJSON_GetArrayItem(row, 1)));
    ck_assert_double_eq(cJSON_GetArrayItem(row, 2)->valuedouble, 1000);
    ck_assert(cJSON_IsNull(cJSON_GetArrayItem(row, 3)));
    ck_assert_str_eq(cJSON_GetArrayItem(row, 4)->valuestring, "012");
    ck_assert_str_eq(cJSON_GetArrayItem(row, 5)->valuestring, "3 mL");
    cJSON_Delete(json);
}
END_TEST

/* --- CSV: a reader by the grammar of RFC 4180, section 2 -------------------------------------- */

enum { FIELDS = 10, FIELD_LONGEST = 1024 };

/* Reads one field; gives what ended it. */
static char read_field(const char **at, char ret[FIELD_LONGEST])
{
    size_t length = 0;
    const bool quoted = **at == '"';
    if (quoted) (*at)++;
    for (;; (*at)++) {
        MUST(**at, "the end in a field");
        MUST(length < FIELD_LONGEST - 1, "too long");
        if (quoted && **at == '"' && (*at)[1] == '"') {
            (*at)++;
        } else if (quoted && **at == '"') {
            (*at)++;
            MUST(**at == ',' || **at == '\r', "something after a quote: %.20s", *at);
            break;
        } else if (!quoted && (**at == ',' || **at == '\r')) {
            break;
        } else {
            MUST(quoted || **at != '"', "a quote in a plain field: %.20s", *at);
        }
        ret[length++] = **at;
    }
    ret[length] = '\0';
    const char end = **at;
    (*at)++;
    return end;
}

/* Gives how many lines there are, and in *ret_found how many fields begin as 'part' does. */
static int read_csv(const char *csv, const char *part, int *ret_found)
{
    char field[FIELD_LONGEST];
    int lines = 0;
    *ret_found = 0;
    while (*csv) {
        for (int i = 1; i <= FIELDS; i++) {
            const char end = read_field(&csv, field);
            MUST(end == (i == FIELDS ? '\r' : ','), "line %d, field %d", lines + 1, i);
            if (strncmp(field, part, strlen(part)) == 0) (*ret_found)++;
            MUST((i >= 5 && i < FIELDS) || !field[0] || !strchr("=+-@", field[0]), "a formula");
        }
        ck_assert_int_eq(*csv++, '\n');
        lines++;
    }
    return lines;
}

START_TEST(hostile_texts_stay_fields_in_csv)
{
    struct report *r = report_of_text(hostile[_i]);
    finish(r);
    char *csv = written(r, REPORT_CSV, NULL);
    int found = 0;
    ck_assert_int_ge(read_csv(csv, "alert", &found), 20);
    ck_assert_int_ge(found, 2);
    ck_assert_int_eq(strncmp(csv, "time,until,tank,kind,name,value,unit,low,high,text\r\n", 52), 0);
    free(csv);
    report_free(r);
}
END_TEST

/* --- the terminal ----------------------------------------------------------------------------- */

static int characters_in(const char *s, size_t length)
{
    int count = 0;
    for (size_t i = 0; i < length; i++) {
        if (((unsigned char)s[i] & 0xc0) != 0x80) count++;
    }
    return count;
}

static void check_lines(const char *text, const struct report_terminal *terminal, int most)
{
    while (*text) {
        const size_t length = strcspn(text, "\n");
        const int wide = characters_in(text, length);
        MUST(wide <= most, "%d columns: %.*s", wide, (int)length, text);
        for (size_t i = 0; i < length; i++) {
            const unsigned char c = (unsigned char)text[i];
            MUST(c >= ' ' && c != 0x7f, "a control character");
            MUST(!terminal->ascii || c < 0x80, "not ASCII: %.*s", (int)length, text);
        }
        text += length + (text[length] == '\n');
    }
}

START_TEST(hostile_texts_cant_move_the_cursor)
{
    for (int ascii = 0; ascii < 2; ascii++) {
        const struct report_terminal terminal = { .columns = 80, .ascii = ascii };
        struct report *r = report_of_text(hostile[_i]);
        finish(r);
        char *text = written(r, REPORT_TEXT, &terminal);
        for (const char *c = text; *c; c++) {
            MUST(*c == '\n' || ((unsigned char)*c >= ' ' && *c != 0x7f), "a control one");
            MUST(!ascii || (unsigned char)*c < 0x80, "not ASCII");
            MUST((unsigned char)c[0] != 0xc2 || (unsigned char)c[1] >= 0xa0, "C1");
        }
        free(text);
        report_free(r);
    }
}
END_TEST

START_TEST(lines_fit_the_terminal)
{
    static const int columns[] = { 40, 80, 133, 400 };
    const struct report_terminal terminal = { .columns = columns[_i / 2], .ascii = _i % 2 };
    struct report *r = new_report();
    take_carry(r, "leaf-a", 0, 1000000);
    for (int i = 0; i < 3000; i++) {
        take_water(r, "bench", i * 10, 1000 + i % 300, 5.6 + (i % 100) / 200.0);
        if (i % 20 == 0) take_dose(r, "a", i % 40 ? "leaf-a" : "leaf-b", i * 10, 1000 + i);
        if (i % 500 == 7) take_alert(r, "stale-bench-ph", i * 10, i % 1000 == 7, "bench");
    }
    static const char *const heads[] = { "what", "EC in band", "pH in band", "mL" };
    static const char *const cells[] = { "a fifth less water", "98.5 %", "97.1 %", "1234.5" };
    const struct report_table table = {
        .id = "what-if", .heading = "What if", .columns = 4, .column = heads
    };
    report_row(r, report_section(r, &table), cells);
    finish(r);
    char *text = written(r, REPORT_TEXT, &terminal);
    ck_assert_int_eq(count_of(text, "EC in band: 98.5 %"), terminal.columns == 40);
    check_lines(text, &terminal, terminal.columns);
    ck_assert_int_eq(count_of(text, " \n"), 0);
    ck_assert_int_gt(count_of(text, terminal.ascii ? "*" : "\xe2\xa0"), 20);
    free(text);
    report_free(r);
}
END_TEST

START_TEST(a_chart_shows_where_the_readings_were)
{
    const struct report_terminal terminal = { .columns = 80, .ascii = true };
    struct report *r = new_report();
    for (int i = 0; i < 100; i++) {
        take_water(r, "bench", i * 10, i < 50 ? 1100 : 1300, 5.8);
    }
    finish(r);
    char *text = written(r, REPORT_TEXT, &terminal);
    const char *chart = strstr(text, "EC, mS/cm");
    ck_assert_ptr_nonnull(chart);
    const char *top = strchr(chart, '|') + 1;
    ck_assert_int_eq(strspn(top, " ."), 35); /* half of the width is below */
    ck_assert_int_eq(strspn(top + 35, "*"), 36);
    free(text);
    report_free(r);
}
END_TEST

START_TEST(the_terminal_is_as_the_environment_says)
{
    static const struct {
        const char *columns, *lc_all, *lang;
        int wide;
        bool ascii;
    } row[] = { { "100", "", "de_DE.UTF-8", 100, false }, { "39", "C", "C.UTF-8", 80, true },
        { "1e2", "", "C.utf8", 80, false }, { "401", "en_IE.UTF-8", "C", 80, false },
        { "40", "", "", 40, true }, { "", "POSIX", "", 80, true } };
    setenv("COLUMNS", row[_i].columns, 1);
    setenv("LC_ALL", row[_i].lc_all, 1);
    setenv("LC_CTYPE", "", 1);
    setenv("LANG", row[_i].lang, 1);
    const struct report_terminal terminal = report_terminal_here();
    ck_assert_int_eq(terminal.columns, row[_i].wide);
    ck_assert_int_eq(terminal.ascii, row[_i].ascii);
}
END_TEST

/* --- anything ----------------------------------------------------------------------------------
 */

static uint32_t chance;

static uint32_t draw(uint32_t below)
{
    chance = chance * 1664525U + 1013904223U; /* Numerical Recipes' constants, from memory */
    return (chance >> 8) % below;
}

static double draw_number(void)
{
    static const double odd[] = { 0, -0.0, 1e-6, -1, 1e6, -1e6, 999999.9, 1e14, -1e14, 5.8, 1200 };
    return draw(3) ? odd[draw(sizeof odd / sizeof *odd)] : draw(100000) / 37.0 - 300;
}

static void take_anything(struct report *r)
{
    static const char *const kinds[] = { "water", "water", "water", "dose", "dose", "outcome",
        "hand", "alert", "carry", "request", "start" };
    static const char *const reals[] = { "ec_us_cm", "ph", "degc", "set_ec_us_cm", "set_ph",
        "band_ec_us_cm", "band_ph" };
    static const char *const texts[] = { "id", "tank", "stock", "purpose", "alert", "state", "text",
        "request" };
    static const char *const words[] = { "bench", "refilled", "acid", "feed", "holding", "a" };
    static const int64_t times[] = { 0, -1, INT64_C(946684800000), BEGAN_MS, BEGAN_MS * 3,
        INT64_MAX / 2 };
    struct record record;
    record_start(&record, kinds[draw(sizeof kinds / sizeof *kinds)]);
    for (size_t i = 0; i < sizeof reals / sizeof *reals; i++) {
        if (draw(4)) record_add_real(&record, reals[i], draw_number(), draw(7));
    }
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
        if (draw(8) == 0) continue;
        record_add_text(&record, texts[i], draw(10) ? words[draw(6)] : hostile[draw(HOSTILE)]);
    }
    if (draw(8)) record_add_int(&record, "ul", draw(5) ? draw(100000) : (int64_t)draw_number());
    if (draw(8)) record_add_int(&record, "remaining_ul", draw(100000));
    if (draw(8)) record_add_truth(&record, "on", draw(2));
    if (draw(8)) record_add_truth(&record, "ok", draw(2));
    const int64_t usual = BEGAN_MS + (int64_t)draw(3000) * 60000;
    report_take(r, &record, (struct civil){ draw(300) ? usual : times[draw(6)] });
}

/* Numbers are numbers in what is drawn. */
static void check_paths(const char *html)
{
    static const char *const numbers[] = { " cx=\"", " cy=\"", " r=\"", " x1=\"", " x2=\"",
        " y1=\"", " y2=\"", " x=\"", " y=\"" };
    for (const char *at = strstr(html, " d=\""); at; at = strstr(at + 4, " d=\"")) {
        const size_t length = strspn(at + 4, "MLHVZh .-0123456789");
        MUST(at[4 + length] == '"', "in a path: %.40s", at + 4 + length);
    }
    for (size_t i = 0; i < sizeof numbers / sizeof *numbers; i++) {
        const size_t wide = strlen(numbers[i]);
        for (const char *at = strstr(html, numbers[i]); at; at = strstr(at + wide, numbers[i])) {
            const size_t length = strspn(at + wide, ".-0123456789%");
            MUST(length > 0 && at[wide + length] == '"', "no number: %.40s", at);
        }
    }
}

START_TEST(whatever_the_records_say_the_forms_are_well_formed)
{
    chance = (uint32_t)_i * 7919U + 1;
    const struct report_want want = { .has_from = _i % 3 == 1,
        .has_to = _i % 4 == 1,
        .from = at_minute(500),
        .to = at_minute(2000) };
    struct report *r = report_new(&want);
    ck_assert_ptr_nonnull(r);
    for (uint32_t i = 0, all = 1 + draw(_i % 50 == 0 ? 9000 : 300); i < all; i++) {
        take_anything(r);
    }
    struct problem problem = { 0 };
    if (report_finish(r, &problem) != ERR_NONE) {
        ck_assert_int_eq(problem.err, ERR_FULL);
        report_free(r);
        return;
    }
    const struct report_terminal terminal = { .columns = 60, .ascii = true };
    char *html = written(r, REPORT_HTML, NULL);
    check_html(html);
    ck_assert_ptr_null(strstr(html, "nan"));
    check_paths(html);
    free(html);
    int found = 0;
    char *csv = written(r, REPORT_CSV, NULL);
    ck_assert_int_ge(read_csv(csv, "", &found), 1);
    free(csv);
    char *text = written(r, REPORT_TEXT, &terminal);
    check_lines(text, &terminal, terminal.columns);
    free(text);
    cJSON_Delete(as_json(r));
}
END_TEST

/* --- nothing, and hardly anything ------------------------------------------------------------- */

START_TEST(hardly_anything_is_shown_too)
{
    struct report *r = new_report();
    if (_i == 1) take_water(r, "bench", 0, 1200, 5.8);
    if (_i == 2) take_dose(r, "a", "leaf", 0, 0);
    if (_i == 3) take_alert(r, "stale", 0, true, "bench");
    if (_i == 4) report_name_tank(r, "bench", "Basil bench");
    if (_i == 5) report_truth(r, "bench", REPORT_PH, at_minute(3), 5.8);
    finish(r);
    ck_assert_uint_eq(report_count(r).tanks, _i > 0);
    char *html = written(r, REPORT_HTML, NULL);
    check_html(html);
    free(html);
    char *text = written(r, REPORT_TEXT, NULL);
    ck_assert_ptr_null(strchr(text, '?'));
    free(text);
    int found = 0;
    char *csv = written(r, REPORT_CSV, NULL);
    (void)read_csv(csv, "time", &found);
    ck_assert_int_eq(found, 1);
    free(csv);
    cJSON_Delete(as_json(r));
}
END_TEST

/* A caller's section about bottles stands for ours. */
START_TEST(the_callers_bottles_replace_ours)
{
    struct report *r = new_report();
    take_dose(r, "a", "leaf", 0, 1000);
    if (_i == 1) {
        const struct report_table table = { .id = "bottles", .heading = "Bottles" };
        report_pair(r, report_section(r, &table), "leaf", "empty on 2031-05-01");
    }
    finish(r);
    char *html = written(r, REPORT_HTML, NULL);
    ck_assert_int_eq(count_of(html, "used, mL"), _i == 0 ? 2 : 0);
    ck_assert_int_eq(count_of(html, "empty on 2031-05-01"), _i);
    free(html);
    report_free(r);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("report.form");
    tcase_set_timeout(t, 60);
    tcase_add_loop_test(t, hostile_texts_stay_text_in_html, 0, HOSTILE);
    tcase_add_loop_test(t, hostile_texts_stay_text_in_json, 0, HOSTILE);
    tcase_add_loop_test(t, hostile_texts_stay_fields_in_csv, 0, HOSTILE);
    tcase_add_loop_test(t, hostile_texts_cant_move_the_cursor, 0, HOSTILE);
    tcase_add_test(t, cells_that_are_numbers_are_numbers_in_json);
    tcase_add_loop_test(t, lines_fit_the_terminal, 0, 8);
    tcase_add_test(t, a_chart_shows_where_the_readings_were);
    tcase_add_loop_test(t, the_terminal_is_as_the_environment_says, 0, 6);
    tcase_add_loop_test(t, whatever_the_records_say_the_forms_are_well_formed, 0, 200);
    tcase_add_loop_test(t, hardly_anything_is_shown_too, 0, 6);
    tcase_add_loop_test(t, the_callers_bottles_replace_ours, 0, 2);
    return run_case(t, "report.form");
}
