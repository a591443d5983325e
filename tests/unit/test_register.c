#include "register.h"
#include "register_value.h"

#include "base/clock.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct arena *mem;
static struct register_load *load;

/* 2026-03-02T06:00:00Z: date -u -d 2026-03-02T06:00:00Z +%s */
static const int64_t NOW_US = INT64_C(1772431200) * US_PER_S;

static void begin(void)
{
    mem = arena_new(64 << 20);
    load = register_new(mem, NOW_US);
}

static void end(void)
{
    arena_free(mem);
}

static struct thing *have(enum register_kind kind, const char *key, const char *site)
{
    return register_known(load, kind, key, site);
}

/* A small fleet that the database has. */
static void know_fleet(void)
{
    have(REGISTER_SITES, "north", "north");
    have(REGISTER_SITES, "south", "south");
    have(REGISTER_MACHINES, "mill", "north");
    have(REGISTER_MACHINES, "lathe", "south");
    have(REGISTER_DRIVE_MODELS, "two-fans", NULL)->number = 2;
    have(REGISTER_DRIVE_MODELS, "one-fan", NULL)->number = 1;
    have(REGISTER_DRIVE_MODELS, "riddle", NULL);
    struct thing *drive = have(REGISTER_DRIVES, "mill-x", "north");
    drive->of = "one-fan";
    drive->machine = "mill";
    have(REGISTER_DRIVES, "lathe-x", "south")->machine = "lathe";
    have(REGISTER_AXES, "lathe.X", "south")->machine = "lathe";
    have(REGISTER_PARTS, "P-1", NULL);
    have(REGISTER_PARTS, "P-2", NULL)->of = "P-1";
    have(REGISTER_FAN_MODELS, "breeze", NULL);
    have(REGISTER_FANS, register_fan_key("mill-x", "internal-1", mem), "north")->number = 7;
    have(REGISTER_SOURCES, "agent", "north");
}

static void read_text(const char *name, const char *text)
{
    enum register_kind kind;
    ck_assert_msg(register_kind_of(name, &kind), "%s", name);
    register_read(load, kind, name, text, strlen(text));
}

static const char *issues(void)
{
    const char *all = "";
    for (size_t k = 0; k < load->issue_count && k < REGISTER_MOST_ISSUES; k++)
        all = arena_printf(mem, "%s%s\n", all, load->issues[k].text);
    return all;
}

static const struct {
    const char *file, *text, *issues;
} cases[] = {
    /* the header */
    {"sites.csv", "", "sites.csv:1:1: there is no header row\n"},
    {"sites.csv", "site,nmae\nx,y\n",
     "sites.csv:1:6: column 'nmae': is not known here; the nearest is 'name'\n"},
    {"axes.csv", "axis,machine,colour\n",
     "axes.csv:1:14: column 'colour': is not known here; known are axis, machine or drive\n"},
    {"axes.csv", "axis,drive\nx,y\n", "axes.csv:1:1: column 'machine': is missing; every row needs it\n"},
    {"fans.csv", "fan_model\nbreeze\n",
     "fans.csv:1:1: column 'drive': is missing; every row needs it\n"
     "fans.csv:1:1: column 'position': is missing; every row needs it\n"},
    {"sites.csv", "site,name,site\nx,,\n", "sites.csv:1:11: column 'site': stands there twice\n"},
    {"sites.csv", "site;name\nx;y\n",
     "sites.csv:1:1: the fields are separated by semicolons; save the file with commas\n"},
    {"sites.csv", "site\tname\nx\ty\n",
     "sites.csv:1:1: the fields are separated by tabs; save the file with commas\n"},
    {"sites.csv", "site,name,,\nx,y,,\n", ""},
    {"sites.csv", "site,name,\nx,y,z\n", "sites.csv:2:5: 'z': stands in a column without a name\n"},
    /* the shape of rows */
    {"sites.csv", "site,name\nx\ny,1,2\n",
     "sites.csv:2:1: the row has 1 fields, the header has 2\n"
     "sites.csv:3:5: the row has 3 fields, the header has 2\n"},
    {"sites.csv", "site,name\nx,\"y\n", "sites.csv:2:3: the quotation mark is never closed\n"},
    {"sites.csv", "site,name\n,y\n", "sites.csv:2:1: site '': is empty; every row needs it\n"},
    {"sites.csv", "site,name\nx,a\ny,\nx,b\n",
     "sites.csv:4:1: site 'x': the same key stands in line 2 already; each may stand once\n"},
    {"fans.csv", "drive,position\nmill-x,internal-1\nmill-x,internal-1\n",
     "fans.csv:3:1: drive 'mill-x': the same key stands in line 2 already; each may stand once\n"},
    /* each type of column */
    {"sites.csv", "site\n0123456789012345678901234567890123456789012345678901234567890123x\n",
     "sites.csv:2:1: site '012345678901234567890123456789012345678901234567890123456789...': has 65 "
     "characters; "
     "at most 64\n"},
    {"sites.csv", "site\nÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄÄ\n", ""},
    {"sites.csv", "site\n\"a\nb\"\n",
     "sites.csv:2:1: site 'a b': has a line break or tab in it; write it on one line\n"},
    {"sites.csv", "site,time_zone\nx,Europe/Brelin\n",
     "sites.csv:2:3: time_zone 'Europe/Brelin': is not a time zone of this machine; write it like "
     "Europe/Berlin\n"},
    {"sites.csv", "site,paper\nx,a4\n",
     "sites.csv:2:3: paper 'a4': is not known here; the nearest is 'A4'\n"},
    {"sites.csv", "site,paper\nx,parchment\n",
     "sites.csv:2:3: paper 'parchment': is not known here; write A4 or Letter\n"},
    {"sites.csv", "site,email\nx,someone\n",
     "sites.csv:2:3: email 'someone': is not an e-mail address; write it like name@plant.example\n"},
    {"sites.csv", "site,email\nx,a@b@c\n",
     "sites.csv:2:3: email 'a@b@c': is not an e-mail address; write it like name@plant.example\n"},
    {"machines.csv", "machine,site,stop_cost_per_hour,currency\nx,north,12.345,EUR\n",
     "machines.csv:2:9: stop_cost_per_hour '12.345': has more than two decimals\n"},
    {"machines.csv", "machine,site,stop_cost_per_hour,currency\nx,north,\"12,5\",EUR\n",
     "machines.csv:2:9: stop_cost_per_hour '12,5': is not a number; write it with a point and without "
     "separators, like 1234.5\n"},
    {"machines.csv", "machine,site,stop_cost_per_hour,currency\nx,north,-1,EUR\n",
     "machines.csv:2:9: stop_cost_per_hour '-1': is out of range; allowed: 0 to 1000000000\n"},
    {"machines.csv", "machine,site,stop_cost_per_hour,currency\nx,north,10,euro\n",
     "machines.csv:2:12: currency 'euro': is not a currency; write its three capital letters, like EUR\n"},
    {"drive_models.csv", "drive_model,internal_fans\nx,3\n",
     "drive_models.csv:2:3: internal_fans '3': is out of range; allowed: 0 to 2\n"},
    {"drive_models.csv", "drive_model,internal_fans\nx,two\n",
     "drive_models.csv:2:3: internal_fans 'two': is not a whole number\n"},
    {"drive_models.csv", "drive_model,reports_speed\nx,maybe\n",
     "drive_models.csv:2:3: reports_speed 'maybe': is neither yes nor no\n"},
    {"drives.csv", "drive,machine,waiting_time_min\nx,mill,ten\n",
     "drives.csv:2:8: waiting_time_min 'ten': is not a number; write it like 1234.5\n"},
    {"fans.csv", "drive,position,installed_on\nmill-x,internal-1,31.12.2025\n",
     "fans.csv:2:19: installed_on '31.12.2025': is not a date; write it like 2026-11-25\n"},
    {"fans.csv", "drive,position,installed_on\nmill-x,internal-1,2026-03-03\n",
     "fans.csv:2:19: installed_on '2026-03-03': lies in the future; it is 2026-03-02T06:00:00Z now\n"},
    {"sources.csv", "source,site,url,format\nx,north,ftp://h/,mtconnect\n",
     "sources.csv:2:9: url 'ftp://h/': is not an address; write it like http://host:5000/path\n"},
    {"sources.csv", "source,site,url,format\nx,north,http://me:secret@h/,mtconnect\n",
     "sources.csv:2:9: url 'http://...@h/': holds a name or password; these do not belong in the register\n"},
    {"sources.csv", "source,site,url,format\nx,north,http://h/?a=1,mtconnect\n",
     "sources.csv:2:9: url 'http://h/?a=1': has a ? or # in it; write the address up to there\n"},
    {"sources.csv", "source,site,url,format\nx,north,http://:80,xml\n",
     "sources.csv:2:9: url 'http://:80': is not an address; write it like http://host:5000/path\n"
     "sources.csv:2:20: format 'xml': is not known here; write mtconnect or feed\n"},
    {"sites.csv", "site,networks\nx,10.1.2.3/16\n",
     "sites.csv:2:3: networks '10.1.2.3/16': is no list of networks: '10.1.2.3/16' has address bits beyond "
     "its "
     "length; write it like 10.1.0.0/16 fd12:3::/32\n"},
    {"sources.csv", "source,site,url,format,ca_file\nx,north,https://h,feed,ca.pem\n",
     "sources.csv:2:24: ca_file 'ca.pem': is not the whole path of a file; write it like "
     "/etc/vaneward/plant-ca.pem\n"},
    {"sources.csv", "source,site,url,format,pinned_key\nx,north,https://h,feed,sha256//abc=\n",
     "sources.csv:2:24: pinned_key 'sha256//abc=': is not the SHA-256 of a public key; write it like "
     "sha256//<43 letters>=\n"},
    {"sources.csv", "source,site,url,format,credential\nx,north,https://h,feed,../x\n",
     "sources.csv:2:24: credential '../x': is not the name of a file; only letters, digits, '.', '_' and '-' "
     "may "
     "stand in it, no '.' first\n"},
    {"work.csv", "drive,position,done_at,action\nmill-x,internal-1,yesterday,cleaned\n",
     "work.csv:2:19: done_at 'yesterday': is not a moment; write it like 2026-11-25T16:20:00Z\n"},
    {"work.csv", "drive,position,done_at,action\nmill-x,internal-1,2026-03-02T06:00:01Z,cleaned\n",
     "work.csv:2:19: done_at '2026-03-02T06:00:01Z': lies in the future; it is 2026-03-02T06:00:00Z now\n"},
    {"work.csv", "drive,position,done_at,action\nmill-x,internal-1,2026-03-02T08:00:00+02:00,cleaned\n", ""},
    /* references */
    {"machines.csv", "machine,site\nx,nroth\n",
     "machines.csv:2:3: site 'nroth': is not in sites; the nearest is 'north'\n"},
    {"drives.csv", "drive,machine,drive_model\nx,mill,unheard-of\n",
     "drives.csv:2:8: drive_model 'unheard-of': is not in drive_models; add it there\n"},
    {"stock.csv", "site,part,on_hand\nnorth,P-9,1\n",
     "stock.csv:2:7: part 'P-9': is not in parts; the nearest is 'P-1'\n"},
    {"bindings.csv", "source,device,item,role,drive,position\nagent,u,i,fan_speed,mill-x,heat-sink\n",
     "bindings.csv:2:28: position 'heat-sink': drive 'mill-x' has no fan there; add it to fans\n"},
    {"work.csv", "drive,position,done_at,action\nmill-y,internal-1,2026-01-01,cleaned\n",
     "work.csv:2:1: drive 'mill-y': is not in drives; the nearest is 'mill-x'\n"},
    {"work.csv", "drive,position,done_at,action\nmill-x,internal-2,2026-01-01,cleaned\n",
     "work.csv:2:8: position 'internal-2': drive 'mill-x' has no fan there; add it to fans\n"},
    /* meaning */
    {"fan_models.csv", "fan_model,rated_rpm,warning_rpm\nx,8000,8000\n",
     "fan_models.csv:2:8: warning_rpm '8000': is not below rated_rpm '8000'; the drive would always warn\n"},
    {"fan_models.csv", "fan_model,rated_rpm,warning_rpm\nx,,8000\ny,900,\nz,900,899.5\n", ""},
    {"machines.csv", "machine,site\nmill,south\n",
     "machines.csv:2:6: site 'south': would move 'mill' from site 'north' to 'south'; it keeps its site, so "
     "give "
     "it a new key\n"},
    {"drives.csv", "drive,machine\nmill-x,lathe\n",
     "drives.csv:2:8: machine 'lathe': would move 'mill-x' from site 'north' to 'south'; it keeps its site, "
     "so "
     "give it a new key\n"},
    {"sources.csv", "source,site,url,format\nagent,south,http://h,feed\n",
     "sources.csv:2:7: site 'south': would move 'agent' from site 'north' to 'south'; it keeps its site, so "
     "give "
     "it a new key\n"},
    {"axes.csv", "axis,machine,drive\na,mill,lathe-x\n",
     "axes.csv:2:8: drive 'lathe-x': belongs to machine 'lathe', the axis to 'mill'\n"},
    {"parts.csv", "part,unit_price,currency\nx,5,\n",
     "parts.csv:2:3: unit_price '5': has no currency; write it in column currency, like EUR\n"},
    {"parts.csv", "part,unit_price\nx,5\n",
     "parts.csv:2:3: unit_price '5': has no currency; write it in column currency, like EUR\n"},
    {"parts.csv", "part,unit_price\nP-1,5\n", ""}, /* it may have one in the database */
    {"parts.csv", "part,supersedes\nx,x\n", "parts.csv:2:3: supersedes 'x': is the part itself\n"},
    {"parts.csv", "part,supersedes\nP-1,P-2\n",
     "parts.csv:2:5: supersedes 'P-2': closes a ring of parts that supersede each other\n"},
    {"parts.csv", "part,supersedes\nx,long-gone\n", ""},
    {"fitments.csv", "drive_model,position,fan_model\none-fan,internal-2,breeze\n",
     "fitments.csv:2:9: position 'internal-2': is not there: drive model 'one-fan' has internal_fans 1 in "
     "drive_models\n"},
    {"fitments.csv",
     "drive_model,position,fan_model\ntwo-fans,internal-2,breeze\nriddle,internal-2,breeze\none-fan,heat-"
     "sink,"
     "breeze\n",
     ""},
    {"fans.csv", "drive,position\nmill-x,internal-2\nlathe-x,internal-2\n",
     "fans.csv:2:8: position 'internal-2': is not there: drive model 'one-fan' has internal_fans 1 in "
     "drive_models\n"},
    {"bindings.csv",
     "source,device,item,role\nagent,u,a,fan_speed\nagent,u,b,drive_condition\nagent,u,c,"
     "axis_condition\nagent,u,d,power\n",
     "bindings.csv:2:1: drive '': is empty; role fan_speed needs it\n"
     "bindings.csv:2:1: position '': is empty; role fan_speed needs it\n"
     "bindings.csv:3:1: drive '': is empty; role drive_condition needs it\n"
     "bindings.csv:4:1: axis '': is empty; role axis_condition needs it\n"},
    {"bindings.csv",
     "source,device,item,role,drive,position,axis\nagent,u,a,axis_condition,,,lathe.X\nagent,u,b,"
     "drive_condition,lathe-x,,\n",
     "bindings.csv:2:28: axis 'lathe.X': belongs to site 'south', the source to 'north'\n"
     "bindings.csv:3:27: drive 'lathe-x': belongs to site 'south', the source to 'north'\n"},
    {"bindings.csv", "source,device,item,role,reason\nagent,u,a,availability,as the probe says\n", ""},
    {"code_map.csv", "controller,native_code,kind\nK,1,fan_wraning\n",
     "code_map.csv:2:5: kind 'fan_wraning': is not known here; the nearest is 'fan_warning'\n"},
};

START_TEST(what_is_wrong_is_told_with_its_place_and_what_would_be_right)
{
    know_fleet();
    read_text(cases[_i].file, cases[_i].text);
    register_check(load);
    ck_assert_str_eq(issues(), cases[_i].issues);
}
END_TEST

START_TEST(a_load_may_bring_all_that_it_refers_to_in_any_order_of_files)
{
    read_text("work.csv", "drive,position,done_at,action\nd,heat-sink,2026-01-01,cleaned\n");
    read_text("fans.csv", "drive,position,fan_model\nd,heat-sink,f\n");
    read_text("bindings.csv", "source,device,item,role,drive,position\ns,u,i,fan_speed,d,heat-sink\n");
    read_text("sources.csv", "source,site,url,format\ns,here,http://h,feed\n");
    read_text("drives.csv", "drive,machine,drive_model\nd,m,dm\n");
    read_text("axes.csv", "axis,machine,drive\na,m,d\n");
    read_text("fan_models.csv", "fan_model,part\nf,p\n");
    read_text("parts.csv", "part\np\n");
    read_text("drive_models.csv", "drive_model,internal_fans\ndm,0\n");
    read_text("machines.csv", "machine,site\nm,here\n");
    read_text("sites.csv", "site\nhere\n");
    register_check(load);
    ck_assert_str_eq(issues(), "");
    for (size_t k = 0; k < load->file_count; k++)
        if (load->files[k]->kind != REGISTER_FAN_MODELS && load->files[k]->kind != REGISTER_PARTS &&
            load->files[k]->kind != REGISTER_DRIVE_MODELS)
            ck_assert_str_eq(load->files[k]->rows[0]->site, "here");
}
END_TEST

START_TEST(the_errors_of_all_files_stand_in_order_of_file_and_place)
{
    read_text("machines.csv", "machine,site,currency,paper\nm,there,eur,\nm,here,,\n");
    read_text("sites.csv", "site,paper,email\nhere,A3,x\n");
    register_check(load);
    ck_assert_str_eq(
        issues(),
        "machines.csv:1:23: column 'paper': is not known here; known are machine, site, name, location, "
        "controller, "
        "asset_number, stop_cost_per_hour, currency, stop_hours or lockout_procedure\n"
        "machines.csv:2:3: site 'there': is not in sites; the nearest is 'here'\n"
        "machines.csv:2:9: currency 'eur': is not a currency; write its three capital letters, like EUR\n"
        "machines.csv:3:1: machine 'm': the same key stands in line 2 already; each may stand once\n"
        "sites.csv:2:6: paper 'A3': is not known here; the nearest is 'A4'\n"
        "sites.csv:2:9: email 'x': is not an e-mail address; write it like name@plant.example\n");
}
END_TEST

START_TEST(a_key_in_two_files_names_both)
{
    read_text("a/sites.csv", "site\nx\n");
    read_text("b/sites.csv", "site\nx\n");
    register_check(load);
    ck_assert_str_eq(
        issues(),
        "b/sites.csv:2:1: site 'x': the same key stands in a/sites.csv:2 already; each may stand once\n");
}
END_TEST

START_TEST(a_file_that_breaks_off_makes_no_false_references)
{
    read_text("sites.csv", "site\nfirst\nse\"cond\nthird\n");
    read_text("machines.csv", "machine,site\nm,third\n");
    register_check(load);
    ck_assert_uint_eq(load->issue_count, 1);
    ck_assert_msg(strstr(issues(), "sites.csv:3:3: a quotation mark in the wrong place"), "%s", issues());
}
END_TEST

START_TEST(issues_without_end_are_counted)
{
    char *text = arena_alloc(mem, 200000);
    size_t n = (size_t)snprintf(text, 200000, "site,paper\n");
    for (int k = 0; k < 5000; k++)
        n += (size_t)snprintf(text + n, 200000 - n, "s%d,foolscap\n", k);
    read_text("sites.csv", text);
    register_check(load);
    ck_assert_uint_eq(load->issue_count, 5000);
    ck_assert_str_eq(load->issues[REGISTER_MOST_ISSUES - 1].text,
                     "sites.csv:1001:6: paper 'foolscap': is not known here; write A4 or Letter");
}
END_TEST

START_TEST(fans_keep_their_number_and_new_ones_go_on_from_the_highest_of_the_site)
{
    know_fleet();
    read_text("fans.csv",
              "drive,position\nmill-x,heat-sink\nlathe-x,internal-1\nmill-x,internal-1\nlathe-x,heat-sink\n");
    register_check(load);
    ck_assert_str_eq(issues(), "");
    static const int64_t numbers[] = {8, 1, 7, 2}; /* the north has number 7, the south none */
    for (size_t k = 0; k < 4; k++)
        ck_assert_int_eq(load->files[0]->rows[k]->fan_no, numbers[k]);
}
END_TEST

START_TEST(a_later_replacement_in_work_is_noticed)
{
    know_fleet();
    read_text("fans.csv", "drive,position,installed_on\nmill-x,internal-1,2025-05-01\n");
    register_check(load);
    ck_assert_uint_eq(load->replaced_since, 0);
    read_text("work.csv", "drive,position,done_at,action\nmill-x,internal-1,2025-05-02,cleaned\n"
                          "mill-x,internal-1,2025-05-01T23:00:00Z,replaced\n");
    register_check(load);
    ck_assert_uint_eq(load->replaced_since, 0);
    read_text("work.csv", "drive,position,done_at,action\nmill-x,internal-1,2025-05-02,replaced\n");
    register_check(load);
    ck_assert_uint_eq(load->replaced_since, 1);
    ck_assert_str_eq(issues(), "");
}
END_TEST

START_TEST(only_what_a_load_refers_to_must_be_known)
{
    read_text("stock.csv", "site,part,on_hand\n");
    ck_assert(register_needs(load, REGISTER_SITES) && register_needs(load, REGISTER_PARTS));
    ck_assert(!register_needs(load, REGISTER_FANS) && !register_needs(load, REGISTER_DRIVES));
    read_text("work.csv", "drive,position,done_at,action\n");
    ck_assert(register_needs(load, REGISTER_FANS) && register_needs(load, REGISTER_MACHINES) &&
              register_needs(load, REGISTER_DRIVE_MODELS) && register_needs(load, REGISTER_FAN_MODELS));
    ck_assert(!register_needs(load, REGISTER_SOURCES));
}
END_TEST

START_TEST(moments_are_stored_in_utc)
{
    const struct register_column *done_at =
        &register_tables[REGISTER_WORK].columns[register_column_place(REGISTER_WORK, "done_at")];
    const char *value = "2026-03-01T23:30:00-01:30", *why;
    ck_assert(register_value(done_at, &value, NOW_US, mem, &why));
    ck_assert_str_eq(value, "2026-03-02T01:00:00Z");
}
END_TEST

START_TEST(every_table_fits_its_columns)
{
    for (int k = 0; k < REGISTER_KINDS; k++) {
        const struct register_table *t = &register_tables[k];
        enum register_kind kind;
        ck_assert(t->file && t->table &&
                  register_column_count((enum register_kind)k) <= REGISTER_MOST_COLUMNS);
        ck_assert(register_kind_of(arena_printf(mem, "some/where/%s.csv", t->file), &kind) && (int)kind == k);
        for (const struct register_column *c = t->columns; c->name; c++) {
            ck_assert_msg(c->refers_to <= k, "%s.%s refers to what comes later", t->file, c->name);
            ck_assert_int_eq(c->type == COLUMN_WORD, c->words != NULL);
        }
    }
    enum register_kind kind;
    ck_assert(!register_kind_of("site.csv", &kind) && !register_kind_of("sites.csv.bak", &kind) &&
              !register_kind_of("my_sites.csv", &kind));
}
END_TEST

#define COUNT(a) ((int)(sizeof(a) / sizeof *(a)))

int main(void)
{
    Suite *s = suite_create("register");
    TCase *t = tcase_create("register");
    tcase_add_checked_fixture(t, begin, end);
    tcase_add_loop_test(t, what_is_wrong_is_told_with_its_place_and_what_would_be_right, 0, COUNT(cases));
    tcase_add_test(t, a_load_may_bring_all_that_it_refers_to_in_any_order_of_files);
    tcase_add_test(t, the_errors_of_all_files_stand_in_order_of_file_and_place);
    tcase_add_test(t, a_key_in_two_files_names_both);
    tcase_add_test(t, a_file_that_breaks_off_makes_no_false_references);
    tcase_add_test(t, issues_without_end_are_counted);
    tcase_add_test(t, fans_keep_their_number_and_new_ones_go_on_from_the_highest_of_the_site);
    tcase_add_test(t, a_later_replacement_in_work_is_noticed);
    tcase_add_test(t, only_what_a_load_refers_to_must_be_known);
    tcase_add_test(t, moments_are_stored_in_utc);
    tcase_add_test(t, every_table_fits_its_columns);
    suite_add_tcase(s, t);
    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_ENV);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
