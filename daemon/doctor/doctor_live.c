/* What the running daemon says of itself, of its probes, chains and calibrations. */
#include <math.h>
#include <string.h>
#include <sys/stat.h>

#include "daemon/doctor/doctor.h"
#include "daemon/tool/tool_show.h"
#include "lib/base/calendar.h"

/* --- itself ------------------------------------------------------------------------------------
 */

static void judge_file(struct doctor *d)
{
    const cJSON *config = show_member(d->status, "config");
    const char *error = show_string(config, "error");
    struct civil loaded = { 0 };
    struct stat st;
    if (error[0]) {
        doctor_see(d, "loaded file", "a newer one was refused: %.400s", error);
        doctor_judge(
            d, DOCTOR_FAIL, "mend it ('dosewright check' lists all mistakes), then reload");
    } else if (stat(d->config->path, &st) == 0 &&
               calendar_read_civil(&loaded, show_string(config, "loaded")) &&
               (int64_t)st.st_mtim.tv_sec * 1000 > loaded.ms) {
        doctor_see(
            d, "loaded file", "%s was changed since the daemon has read it", d->config->path);
        doctor_judge(d, DOCTOR_WARN, "'dosewright reload' puts it in force");
    } else {
        doctor_see(d, "loaded file", "%s is in force", show_string(config, "path"));
        doctor_judge(d, DOCTOR_OK, NULL);
    }
}

static void judge_alerts(struct doctor *d)
{
    const cJSON *alerts = show_member(d->status, "alerts"), *alert;
    char names[DOCTOR_FOUND_MAX / 2];
    struct text t = text_over(names, sizeof names);
    cJSON_ArrayForEach(alert, alerts)
    {
        if (t.length > 0) text_add(&t, ", ");
        text_add(&t, show_string(alert, "id"));
    }
    doctor_see(d, "alerts", "none");
    if (cJSON_GetArraySize(alerts) == 0) {
        doctor_judge(d, DOCTOR_OK, NULL);
        return;
    }
    doctor_see(d, "alerts", "%d stand: %s", cJSON_GetArraySize(alerts), names);
    doctor_judge(d, DOCTOR_WARN, "'dosewright status' says of each what to do");
}

static void judge_itself(struct doctor *d)
{
    const cJSON *site = show_member(d->status, "site"), *broker = show_member(d->status, "broker");
    const char *key = show_string(site, "key");
    if (strcmp(key, d->config->site.key) != 0) {
        doctor_see(
            d, "daemon", "the one that answers runs %s, this file is %s", key, d->config->site.key);
        doctor_judge(d, DOCTOR_FAIL, "give the right file, or the right --socket");
    } else if (!show_true(show_member(d->status, "journal"), "ok")) {
        doctor_see(d, "daemon", "it can't write its journal, and doses nothing");
        doctor_judge(d, DOCTOR_FAIL, "look at the lines on disk and journal, and at its log");
    } else if (!show_true(broker, "up")) {
        doctor_see(
            d, "daemon", "it isn't connected with the broker: %s", show_string(broker, "why"));
        doctor_judge(d, DOCTOR_FAIL,
            "look at the line on the broker; if all is well from here, the service's own drop-in "
            "or "
            "credentials may keep it away");
    } else if (show_true(site, "standby")) {
        doctor_see(d, "daemon", "it stands by: another daemon has the chains");
        doctor_judge(d, DOCTOR_WARN, "end the other one, or 'dosewright ask claim CHAIN'");
    } else if (show_true(site, "halted")) {
        doctor_see(d, "daemon", "everything is halted");
        doctor_judge(d, DOCTOR_WARN, "'dosewright release' ends it, once it is known why");
    } else {
        doctor_see(d, "daemon", "it runs, connected, with its journal");
        doctor_judge(d, DOCTOR_OK, NULL);
    }
}

/* --- probes ------------------------------------------------------------------------------------
 */

static const char *quality_remedy(const char *quality)
{
    if (strcmp(quality, "stale") == 0)
        return "nothing came for longer than its max_age_s: does the probe's sender run, and "
               "publish on the topic of the configuration?";
    if (strcmp(quality, "none") == 0)
        return "nothing that could be believed ever came: compare topic, pointer, unit and range "
               "with what the broker has (mosquitto_sub -v -t TOPIC)";
    if (strcmp(quality, "suspect") == 0)
        return "it jumped, or hasn't changed by a digit for too long: look at probe, cable and "
               "water";
    return "its values are out of range, or say a fault: look at probe and cable, and calibrate it";
}

struct inputs { /* of one tank, as they are gone through */
    struct doctor *d;
    const char *tank;
    struct text good;
};

static void judge_input(struct inputs *i, const char *name, const cJSON *reading)
{
    const char *quality = show_string(reading, "quality");
    const double age_s = show_number(reading, "age_s");
    if (strcmp(quality, "good") == 0) {
        text_add(&i->good, i->good.length > 0 ? ", " : "");
        text_add(&i->good, name);
        text_add_char(&i->good, ' ');
        text_add_real(&i->good, age_s, 0);
        text_add(&i->good, " s");
        return;
    }
    if (isnan(age_s))
        doctor_see(i->d, "input", "%s: %s: never read (%s)", i->tank, name, quality);
    else
        doctor_see(i->d, "input", "%s: %s: %s, the last good value is %.0f s old", i->tank, name,
            quality, age_s);
    doctor_judge(i->d, DOCTOR_FAIL, quality_remedy(quality));
}

static void judge_inputs(struct doctor *d, const cJSON *tank)
{
    static const char *const water[] = { "ec", "ph", "temperature" };
    char good[DOCTOR_FOUND_MAX / 2];
    struct inputs i = { d, show_string(tank, "key"), text_over(good, sizeof good) };
    for (size_t n = 0; n < sizeof water / sizeof *water; n++) {
        judge_input(&i, water[n], show_member(tank, water[n]));
    }
    const cJSON *probe;
    cJSON_ArrayForEach(probe, show_member(tank, "probes"))
    {
        judge_input(&i, show_string(probe, "what"), probe);
    }
    if (i.good.length == 0) return;
    doctor_see(d, "inputs", "%s: %s old", i.tank, good);
    doctor_judge(d, DOCTOR_OK, NULL);
}

/* --- calibrations and locks --------------------------------------------------------------------
 */

static void add_due(struct text *t, const cJSON *item, const char *name)
{
    if (!show_true(item, "calibration_due")) return;
    text_add(t, t->length > 0 ? ", " : "");
    text_add(t, name);
    const char *date = show_string(item, "calibrated");
    if (!date[0]) return;
    text_add(t, " (last ");
    text_add_bytes(t, date, strcspn(date, "T"));
    text_add_char(t, ')');
}

static void add_all_due(struct text *t, const cJSON *list, const char *name)
{
    const cJSON *item;
    cJSON_ArrayForEach(item, list)
    {
        add_due(t, item, show_string(item, name));
    }
}

static void judge_calibrations(struct doctor *d, const cJSON *tank)
{
    const cJSON *upkeep = show_member(tank, "upkeep");
    char due[DOCTOR_FOUND_MAX / 2];
    struct text t = text_over(due, sizeof due);
    add_all_due(&t, show_member(upkeep, "probes"), "what");
    add_all_due(&t, show_member(upkeep, "pumps"), "stock");
    add_due(&t, show_member(tank, "flow"), "circulation");
    doctor_see(d, "calibration", "%s: none is due", show_string(tank, "key"));
    if (t.length == 0) {
        doctor_judge(d, DOCTOR_OK, NULL);
        return;
    }
    doctor_see(d, "calibration", "%s: due: %s", show_string(tank, "key"), due);
    doctor_judge(d, DOCTOR_WARN,
        "'dosewright commission TANK probes', 'pumps' or 'circulation' walks through it");
}

static void judge_locks(struct doctor *d, const cJSON *tank)
{
    const char *lock = show_true(tank, "service")  ? "a service lock"
                       : show_true(tank, "bench")  ? "the bench mode"
                       : show_true(tank, "paused") ? "a pause"
                                                   : NULL;
    if (!lock) return;
    doctor_see(d, "tank", "%s: %s keeps the scheduler away", show_string(tank, "key"), lock);
    doctor_judge(d, DOCTOR_WARN,
        "'dosewright ask service TANK off', 'ask bench TANK off' or 'unpause TANK' ends it");
}

/* --- chains ------------------------------------------------------------------------------------
 */

static void judge_chain(struct doctor *d, const cJSON *chain)
{
    const char *key = show_string(chain, "key"), *why = show_string(chain, "why");
    if (show_true(chain, "ready") && !why[0] && show_member(chain, "plain_outputs")) {
        doctor_see(d, "chain", "%s: plain outputs, for which nobody answers", key);
        doctor_judge(d, DOCTOR_OK, NULL);
        return;
    }
    if (show_true(chain, "ready") && !why[0]) {
        doctor_see(d, "chain", "%s: ready, its modules are those %s", key,
            show_true(chain, "adopted") ? "that were adopted" : "of the file");
        doctor_judge(d, DOCTOR_OK, NULL);
        return;
    }
    doctor_see(d, "chain", "%s: %s", key, why[0] ? why : "not ready");
    if (!show_true(chain, "roll_call"))
        doctor_judge(d, DOCTOR_FAIL,
            "no roll-call was heard: has the chain head power and the broker, and is "
            "chains.<chain>.device its name there?");
    else if (!show_true(chain, "bound"))
        doctor_judge(d, DOCTOR_FAIL,
            "compare with the modules on the wall: put them back, change the file, or 'dosewright "
            "ask adopt CHAIN'");
    else if (show_true(chain, "halted"))
        doctor_judge(d, DOCTOR_WARN,
            "'dosewright release', or the switch at the chain head if it was that one");
    else
        doctor_judge(d, DOCTOR_FAIL, "'dosewright status' and the daemon's log tell more");
}

void doctor_live(struct doctor *d)
{
    const cJSON *item;
    judge_itself(d);
    judge_file(d);
    judge_alerts(d);
    cJSON_ArrayForEach(item, show_member(d->status, "chains"))
    {
        judge_chain(d, item);
    }
    cJSON_ArrayForEach(item, show_member(d->status, "tanks"))
    {
        judge_locks(d, item);
        judge_inputs(d, item);
        judge_calibrations(d, item);
    }
}
