#include "discover.h"

#include <check.h>

#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

/* One item of a model and what is proposed for it; role -1: nothing. */
struct proposal {
    const char *what;
    struct model_item item;
    int role;
    const char *position;
};

#define SPEED .item = "n", .device = "m", .category = "SAMPLE", .type = "ROTARY_VELOCITY"
#define CONDITION .item = "c", .device = "m", .category = "CONDITION", .type = "SYSTEM"
#define EVENT .item = "e", .device = "m", .category = "EVENT", .component = "Device", .path = ""

static const struct proposal proposals[] = {
    {"a fan component with its position as name",
     {SPEED, .path = "Axes/Linear[X]/Amplifier/Fan[internal-1]", .component = "Fan"},
     ROLE_FAN_SPEED,
     "internal-1"},
    {"the second fan",
     {SPEED, .path = "Axes/Linear[X1]/Fan[F2]", .component = "Fan"},
     ROLE_FAN_SPEED,
     "internal-2"},
    {"a number with a nought before it",
     {SPEED, .path = "Axes/Linear[X]/Fan[fan 02]", .component = "Fan"},
     ROLE_FAN_SPEED,
     "internal-2"},
    {"the heat sink's fan",
     {SPEED, .path = "Fan[Heat-Sink 1]", .component = "Fan"},
     ROLE_FAN_SPEED,
     "heat-sink"},
    {"a third fan", {SPEED, .path = "Fan[fan 3]", .component = "Fan"}, ROLE_FAN_SPEED, ""},
    {"a fan without a name on an axis with a number",
     {SPEED, .path = "Axes/Linear[X1]/Fan", .component = "Fan"},
     ROLE_FAN_SPEED,
     ""},
    {"the item's own name where the fan has none",
     {SPEED, .path = "Axes/Linear[X]/Fan", .component = "Fan", .name = "X fan 1"},
     ROLE_FAN_SPEED,
     "internal-1"},
    {"a fan as a composition of an axis",
     {SPEED, .path = "Axes/Linear[X2]", .component = "Linear", .composition = "FAN", .sub_type = "ACTUAL"},
     ROLE_FAN_SPEED,
     ""},
    {"a composition with the position in the item's name",
     {SPEED, .path = "Axes/Linear[X]", .component = "Linear", .composition = "FAN", .name = "X1_heatsink"},
     ROLE_FAN_SPEED,
     "heat-sink"},
    {"a speed below a fan",
     {SPEED, .path = "Fan[internal-2]/Sensor[s]", .component = "Sensor"},
     ROLE_FAN_SPEED,
     ""},
    {"a spindle", {SPEED, .path = "Axes/Rotary[S]", .component = "Rotary"}, -1, ""},
    {"an axis motor",
     {SPEED, .path = "Axes/Linear[X]", .component = "Linear", .composition = "MOTOR"},
     -1,
     ""},
    {"a component that only sounds like one",
     {SPEED, .path = "Systems/Fans[1]/Fancoil[2]", .component = "Fancoil"},
     -1,
     ""},
    {"a commanded speed",
     {SPEED, .path = "Fan[internal-1]", .component = "Fan", .sub_type = "COMMANDED"},
     -1,
     ""},
    {"an average", {SPEED, .path = "Fan[internal-1]", .component = "Fan", .statistic = "AVERAGE"}, -1, ""},
    {"a fan's temperature",
     {.item = "t",
      .device = "m",
      .category = "SAMPLE",
      .type = "TEMPERATURE",
      .path = "Fan",
      .component = "Fan"},
     -1,
     ""},
    {"a fan's condition",
     {CONDITION, .path = "Axes/Linear[X]/Fan[1]", .component = "Fan"},
     ROLE_DRIVE_CONDITION,
     ""},
    {"an amplifier's condition",
     {CONDITION, .path = "Axes/Linear[X]/Amplifier", .component = "Amplifier"},
     ROLE_DRIVE_CONDITION,
     ""},
    {"a condition of an amplifier as a composition",
     {CONDITION, .path = "Axes/Linear[X]", .component = "Linear", .composition = "AMPLIFIER"},
     ROLE_DRIVE_CONDITION,
     ""},
    {"an axis' condition",
     {CONDITION, .path = "Axes/Linear[X]", .component = "Linear"},
     ROLE_AXIS_CONDITION,
     ""},
    {"a rotary axis' condition",
     {CONDITION, .path = "Axes/Rotary[C]", .component = "Rotary"},
     ROLE_AXIS_CONDITION,
     ""},
    {"the controller's condition", {CONDITION, .path = "Controller", .component = "Controller"}, -1, ""},
    {"availability", {EVENT, .type = "AVAILABILITY"}, ROLE_AVAILABILITY, ""},
    {"power", {EVENT, .type = "POWER_STATE"}, ROLE_POWER, ""},
    {"power in version 1.0", {EVENT, .type = "POWER_STATUS"}, ROLE_POWER, ""},
    {"another event", {EVENT, .type = "EXECUTION"}, -1, ""},
    {"a fan's speed in degrees a second",
     {.item = "n",
      .device = "m",
      .category = "SAMPLE",
      .type = "ANGULAR_VELOCITY",
      .path = "Fan[1]",
      .component = "Fan"},
     ROLE_FAN_SPEED,
     "internal-1"},
    {"a tachometer, whose pulses nobody knows",
     {.item = "n",
      .device = "m",
      .category = "SAMPLE",
      .type = "FREQUENCY",
      .path = "Fan[1]",
      .component = "Fan"},
     -1,
     ""},
    {"whether the agent reports", {EVENT, .type = "AVAILABILITY", .of_agent = true}, ROLE_AVAILABILITY, ""},
    {"the agent's link to a machine",
     {.item = "c",
      .device = "a",
      .category = "EVENT",
      .type = "CONNECTION_STATUS",
      .path = "Adapters/Adapter[x]",
      .component = "Adapter",
      .of_agent = true},
     ROLE_AVAILABILITY,
     ""},
    {"power of an agent", {EVENT, .type = "POWER_STATE", .of_agent = true}, -1, ""},
    {"a machine's connection, which is no agent's", {EVENT, .type = "CONNECTION_STATUS"}, -1, ""},
    {"an item of which nothing is known", {.item = "x", .device = "m"}, -1, ""},
};

enum { PROPOSALS = sizeof proposals / sizeof *proposals };

static bool is_as_proposed(const struct draft *d, const struct proposal *p)
{
    return (int)d->role == p->role && strcmp(d->position, p->position) == 0 &&
           strcmp(d->device, p->item.device) == 0 && strcmp(d->item, p->item.item) == 0 && *d->reason;
}

START_TEST(an_item_is_proposed_for_what_it_is)
{
    const struct proposal *p = &proposals[_i];
    struct arena *mem = arena_new(1 << 20);
    struct model_item item = p->item;
    struct model model = {.items = &item, .count = 1};
    struct draft *drafts;
    size_t count;
    discover_bindings(&model, mem, &drafts, &count);
    ck_assert_msg(count == (p->role >= 0), "%s: %zu drafts", p->what, count);
    if (count)
        ck_assert_msg(is_as_proposed(drafts, p), "%s: role %d, position '%s'", p->what, (int)drafts->role,
                      drafts->position);
    arena_free(mem);
}
END_TEST

START_TEST(drafts_stand_in_the_order_of_the_model)
{
    struct arena *mem = arena_new(1 << 20);
    struct model_item items[PROPOSALS];
    struct model model = {.items = items, .count = PROPOSALS};
    struct draft *drafts;
    size_t count, next = 0;
    for (size_t k = 0; k < PROPOSALS; k++)
        items[k] = proposals[k].item;
    discover_bindings(&model, mem, &drafts, &count);
    for (size_t k = 0; k < PROPOSALS; k++)
        if (proposals[k].role >= 0)
            ck_assert_int_eq((int)drafts[next++].role, proposals[k].role);
    ck_assert_uint_eq(count, next);
    arena_free(mem);
}
END_TEST

/* Answers one request, whatever it asks for, with a document; the port is the kernel's choice. */
static pid_t serve_once(const char *document, int *port)
{
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof address;
    int listening = socket(AF_INET, SOCK_STREAM, 0);
    ck_assert_int_eq(bind(listening, (struct sockaddr *)&address, size), 0);
    ck_assert_int_eq(listen(listening, 1), 0);
    ck_assert_int_eq(getsockname(listening, (struct sockaddr *)&address, &size), 0);
    *port = ntohs(address.sin_port);
    pid_t child = fork();
    if (child == 0) {
        char request[1024];
        int peer = accept(listening, NULL, NULL);
        bool probe = read(peer, request, sizeof request) > 0 && strncmp(request, "GET /probe ", 11) == 0;
        dprintf(peer, "HTTP/1.1 %d x\r\nContent-Length: %zu\r\nConnection: close\r\n\r\n%s",
                probe ? 200 : 404, strlen(document), document);
        close(peer);
        _exit(probe ? 0 : 1);
    }
    close(listening);
    return child;
}

static void parse_option(const char *name, const char *value)
{
    for (const struct opt *o = discover_options; o->name; o++)
        if (strcmp(o->name, name) == 0)
            *(const char **)o->target = value;
}

/* Exit status; what was printed in 'out'. */
static int discover_at(const char *document, char *out, size_t size, struct err *err)
{
    int port, status, kept = dup(STDOUT_FILENO);
    char url[64];
    pid_t server = serve_once(document, &port);
    FILE *printed = tmpfile();
    snprintf(url, sizeof url, "http://127.0.0.1:%d/", port);
    fflush(stdout);
    dup2(fileno(printed), STDOUT_FILENO);
    int result = discover_command((const char *const[]){url}, 1, err);
    fflush(stdout);
    dup2(kept, STDOUT_FILENO);
    rewind(printed);
    out[fread(out, 1, size - 1, printed)] = '\0';
    fclose(printed);
    waitpid(server, &status, 0);
    ck_assert_msg(status == 0, "not asked for /probe");
    return result;
}

static const char a_model[] =
    "<MTConnectDevices><Header instanceId='1'/><Devices><Device uuid='m,1'><Components><Axes><Components>"
    "<Linear name='X'><Components><Fan name='internal-1'><DataItems>"
    "<DataItem id='n' category='SAMPLE' type='ROTARY_VELOCITY'/></DataItems></Fan></Components></Linear>"
    "</Components></Axes></Components></Device></Devices></MTConnectDevices>";

START_TEST(drafts_are_printed_as_the_register_s_bindings_with_a_reason)
{
    struct err err = {0};
    char out[2000];
    parse_option("source", "cell-4");
    ck_assert_int_eq(discover_at(a_model, out, sizeof out, &err), 0);
    ck_assert_str_eq(
        out, "source,device,item,role,drive,position,axis,reason\n"
             "cell-4,\"m,1\",n,fan_speed,,internal-1,,speed of a fan at Axes/Linear[X]/Fan[internal-1]\n");
}
END_TEST

#define LIMITED(id, name, limits)                                                                            \
    "<Fan name='" name "' id='c" id "'><DataItems><DataItem id='" id                                         \
    "' category='SAMPLE' type='ROTARY_VELOCITY'/></DataItems><Configuration><Specifications>"                \
    "<Specification type='ROTARY_VELOCITY' dataItemIdRef='" id "'>" limits                                   \
    "</Specification></Specifications></Configuration></Fan>"

static const char a_model_with_limits[] =
    "<MTConnectDevices><Header instanceId='1'/><Devices><Device uuid='m'><Components>" LIMITED(
        "a", "1", "<Nominal>4000</Nominal><LowerWarning>3200</LowerWarning><LowerLimit>2800</LowerLimit>")
        LIMITED("b", "2", "<Nominal>4000</Nominal><LowerWarning>3200</LowerWarning>")
            LIMITED("c", "3", "<Minimum>2500</Minimum>")
                LIMITED("d", "4", "") "</Components></Device></Devices></MTConnectDevices>";

START_TEST(what_the_machine_says_of_its_limits_stands_in_the_reason)
{
    struct err err = {0};
    char out[4000];
    ck_assert_int_eq(discover_at(a_model_with_limits, out, sizeof out, &err), 0);
    ck_assert_ptr_nonnull(strstr(out, "\n,m,a,fan_speed,,internal-1,,\"speed of a fan at Fan[1]; the machine "
                                      "itself says warning below 3200, limit 2800, nominal 4000\"\n"));
    ck_assert_ptr_nonnull(
        strstr(out, "\n,m,c,fan_speed,,,,speed of a fan at Fan[3]; the machine itself says minimum 2500\n"));
    ck_assert_ptr_nonnull(strstr(out, ",speed of a fan at Fan[4]\n"));
}
END_TEST

static const char a_thinned_model[] =
    "<MTConnectDevices><Header instanceId='1'/><Devices><Device uuid='m'><Components><Fan "
    "sampleInterval='500'>"
    "<DataItems><DataItem id='a' category='SAMPLE' type='ROTARY_VELOCITY'><Filters>"
    "<Filter type='MINIMUM_DELTA'>25</Filter><Filter type='PERIOD'>60</Filter></Filters></DataItem>"
    "<DataItem id='b' category='SAMPLE' type='ANGULAR_VELOCITY'><Filters><Filter "
    "type='MINIMUM_DELTA'>60</Filter>"
    "</Filters></DataItem></DataItems></Fan></Components></Device></Devices></MTConnectDevices>";

/* ANGULAR_VELOCITY is in degrees per second: 60 of them are 10 rev/min. */
START_TEST(how_coarsely_a_speed_is_told_stands_in_the_reason)
{
    struct err err = {0};
    char out[4000];
    ck_assert_int_eq(discover_at(a_thinned_model, out, sizeof out, &err), 0);
    ck_assert_ptr_nonnull(
        strstr(out, "speed of a fan at Fan; it tells changes of 25 rev/min or more, every 60 s at most"));
    ck_assert_ptr_nonnull(
        strstr(out, "speed of a fan at Fan; it tells changes of 10 rev/min or more, every 0.5 s at most"));
}
END_TEST

START_TEST(limits_are_drafted_as_fan_models_each_pair_once)
{
    struct err err = {0};
    char out[4000];
    for (const struct opt *o = discover_options; o->name; o++)
        if (strcmp(o->name, "limits") == 0)
            *(bool *)o->target = true;
    ck_assert_int_eq(discover_at(a_model_with_limits, out, sizeof out, &err), 0);
    ck_assert_str_eq(out, "fan_model,part,rated_rpm,warning_rpm,l10_hours,l10_temperature_c,reason\n"
                          ",,4000,3200,,,\"the machine says so of 2 fans, the first at Fan[1]\"\n"
                          ",,,2500,,,\"the machine says so of 1 fan, the first at Fan[3]\"\n");
}
END_TEST

START_TEST(a_feed_is_discovered_when_told_so)
{
    struct err err = {0};
    char out[2000];
    parse_option("format", "feed");
    ck_assert_int_eq(
        discover_at("{\"feed\":1,\"instance\":\"i\",\"created\":\"2026-03-02T08:00:05Z\",\"items\":["
                    "{\"device\":\"d\",\"item\":\"p\",\"kind\":\"power\"}]}",
                    out, sizeof out, &err),
        0);
    ck_assert_ptr_nonnull(strstr(out, "\n,d,p,power,,,,"));
}
END_TEST

START_TEST(an_answer_that_is_no_model_is_an_error_and_nothing_is_printed)
{
    struct err err = {0};
    char out[2000];
    ck_assert_int_eq(discover_at("<html/>", out, sizeof out, &err), 65);
    ck_assert_str_eq(out, "");
    ck_assert_ptr_nonnull(strstr(err.text, "/probe' (status 200) cannot be read: line 1, column "));
}
END_TEST

START_TEST(a_format_that_is_not_known_is_wrong_usage)
{
    struct err err = {0};
    parse_option("format", "opc");
    ck_assert_int_eq(discover_command((const char *const[]){"http://127.0.0.1:1"}, 1, &err), 64);
}
END_TEST

START_TEST(a_source_that_cannot_be_asked_is_an_error)
{
    struct err err = {0};
    const char *const nowhere[] = {"http://127.0.0.1:1/"};
    ck_assert_int_eq(discover_command(nowhere, 1, &err), 69);
    ck_assert_int_eq(err.kind, ERR_UNAVAILABLE);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("discover");
    tcase_add_loop_test(tc, an_item_is_proposed_for_what_it_is, 0, PROPOSALS);
    tcase_add_test(tc, drafts_stand_in_the_order_of_the_model);
    tcase_add_test(tc, drafts_are_printed_as_the_register_s_bindings_with_a_reason);
    tcase_add_test(tc, what_the_machine_says_of_its_limits_stands_in_the_reason);
    tcase_add_test(tc, how_coarsely_a_speed_is_told_stands_in_the_reason);
    tcase_add_test(tc, limits_are_drafted_as_fan_models_each_pair_once);
    tcase_add_test(tc, a_feed_is_discovered_when_told_so);
    tcase_add_test(tc, an_answer_that_is_no_model_is_an_error_and_nothing_is_printed);
    tcase_add_test(tc, a_format_that_is_not_known_is_wrong_usage);
    tcase_add_test(tc, a_source_that_cannot_be_asked_is_an_error);
    Suite *suite = suite_create("discover");
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
