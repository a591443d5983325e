#include "networks.h"

#include <arpa/inet.h>
#include <check.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *why_not(const char *list, const char *address, bool loopback_named)
{
    struct networks n;
    struct err err = {0};
    struct sockaddr_in v4 = {.sin_family = AF_INET};
    struct sockaddr_in6 v6 = {.sin6_family = AF_INET6};
    ck_assert_msg(networks_parse(list, &n, &err), "%s", err.text);
    if (inet_pton(AF_INET, address, &v4.sin_addr) == 1)
        return networks_why_not(&n, (const struct sockaddr *)&v4, loopback_named);
    ck_assert_int_eq(inet_pton(AF_INET6, address, &v6.sin6_addr), 1);
    return networks_why_not(&n, (const struct sockaddr *)&v6, loopback_named);
}

/* The list, an address, whether the url names loopback, part of the reason (NULL: allowed). */
static const struct {
    const char *list, *address;
    bool named;
    const char *why;
} cases[] = {
    {"", "10.1.2.3", false, NULL},
    {NULL, "192.0.2.77", false, NULL},
    {"", "2001:db8::7", false, NULL},
    {"", "fd12:3::1", false, NULL},
    {"", "127.0.0.1", true, NULL},
    {"", "::1", true, NULL},
    {"", "127.0.0.1", false, "loopback"},
    {"", "127.255.255.255", false, "loopback"},
    {"", "::1", false, "loopback"},
    {"", "::ffff:127.0.0.1", false, "loopback"},
    {"", "64:ff9b::7f00:1", false, "loopback"}, /* NAT64 of 127.0.0.1 */
    {"", "2002:7f00:1::", false, "loopback"},   /* 6to4 of 127.0.0.1 */
    {"", "::127.0.0.1", false, "loopback"},
    {"", "169.254.169.254", true, "link-local"},
    {"", "::ffff:169.254.1.1", true, "link-local"},
    {"", "fe80::1", true, "link-local"},
    {"", "febf::1", true, "link-local"},
    {"", "fec0::1", true, NULL},
    {"", "fd00:ec2::254", true, "metadata"},
    {"", "fd00:ec2::253", true, NULL},
    {"", "0.0.0.0", true, "unspecified"},
    {"", "0.255.255.255", true, "unspecified"},
    {"", "::", true, "unspecified"},
    {"", "224.0.0.1", true, "multicast"},
    {"", "239.255.255.255", true, "multicast"},
    {"", "ff02::1", true, "multicast"},
    {"", "255.255.255.255", true, "reserved"},
    {"10.1.0.0/16", "10.1.255.255", false, NULL},
    {"10.1.0.0/16", "10.2.0.0", false, "networks of the site"},
    {"10.1.0.0/16", "10.0.255.255", false, "networks of the site"},
    {"10.1.0.0/16", "::ffff:10.1.0.9", false, NULL},
    {"10.1.0.0/16", "127.0.0.1", true, "networks of the site"},
    {"127.0.0.0/8", "127.0.0.1", false, NULL},
    {"169.254.7.0/24", "169.254.7.9", false, NULL},
    {"169.254.7.0/24", "169.254.8.9", false, "networks of the site"},
    {"192.168.7.9", "192.168.7.9", false, NULL},
    {"192.168.7.9", "192.168.7.8", false, "networks of the site"},
    {"192.168.7.8/31", "192.168.7.9", false, NULL},
    {"  10.0.0.0/8   fd12:3::/32 ", "fd12:3:ffff::1", false, NULL},
    {"10.0.0.0/8 fd12:3::/32", "fd12:4::1", false, "networks of the site"},
    {"2001:db8::/33", "2001:db8:7fff::", false, NULL},
    {"2001:db8::/33", "2001:db8:8000::", false, "networks of the site"},
    {"0.0.0.0/0", "8.8.8.8", false, NULL},
    {"0.0.0.0/0", "2001:db8::1", false, "networks of the site"},
    {"0.0.0.0/0", "0.0.0.0", false, "unspecified"},
    {"0.0.0.0/0", "224.1.1.1", false, "multicast"},
    {"::/0", "10.0.0.1", false, "networks of the site"},
    {"::/0", "::ffff:10.0.0.1", false, "networks of the site"},
    {"::/0", "2001:db8::1", false, NULL},
    {"::ffff:10.0.0.0/104", "10.9.9.9", false, NULL},
};

START_TEST(an_address_is_allowed_or_refused_with_the_reason)
{
    const char *why = why_not(cases[_i].list, cases[_i].address, cases[_i].named);
    if (!cases[_i].why)
        ck_assert_msg(!why, "%s in '%s': %s", cases[_i].address, cases[_i].list, why);
    else
        ck_assert_msg(why && strstr(why, cases[_i].why), "%s in '%s': %s", cases[_i].address, cases[_i].list,
                      why ? why : "allowed");
}
END_TEST

START_TEST(something_that_is_no_ip_address_is_refused)
{
    const struct networks all = {.count = 0};
    const struct sockaddr local = {.sa_family = AF_UNIX};
    ck_assert_str_eq(networks_why_not(&all, &local, true), "it is no IP address");
}
END_TEST

static const struct {
    const char *list, *text;
} bad[] = {
    {"10.1.0.0/33", "'10.1.0.0/33' has a length that is not 0 to 32"},
    {"::/129", "'::/129' has a length that is not 0 to 128"},
    {"10.1.0.0/-1", "'10.1.0.0/-1' has a length that is not 0 to 32"},
    {"10.1.2.3/16", "'10.1.2.3/16' has address bits beyond its length"},
    {"fd12::1/64", "'fd12::1/64' has address bits beyond its length"},
    {"10.1.0.0/", "'10.1.0.0/' is not a network"},
    {"10.1.0.0/16/8", "'10.1.0.0/16/8' is not a network"},
    {"10.1", "'10.1' is not a network"},
    {"0x0a.0.0.0/8", "'0x0a.0.0.0/8' is not a network"},
    {"10.0.0.0/8,fd00::/8", "'10.0.0.0/8,fd00::/8' is not a network"},
    {"plant.example", "'plant.example' is not a network"},
};

START_TEST(a_bad_list_is_refused_with_the_word_that_is_wrong)
{
    struct networks n;
    struct err err = {0};
    ck_assert(!networks_parse(bad[_i].list, &n, &err));
    ck_assert_str_eq(err.text, bad[_i].text);
}
END_TEST

START_TEST(a_list_has_up_to_32_networks)
{
    char list[34 * 16] = "";
    struct networks n;
    struct err err = {0};
    for (int k = 1; k <= NETWORKS_MOST; k++)
        snprintf(list + strlen(list), sizeof list - strlen(list), "10.%d.0.0/16 ", k);
    ck_assert(networks_parse(list, &n, &err));
    ck_assert_uint_eq(n.count, NETWORKS_MOST);
    snprintf(list + strlen(list), sizeof list - strlen(list), "10.99.0.0/16");
    ck_assert(!networks_parse(list, &n, &err));
    ck_assert_str_eq(err.text, "there are more than 32 networks");
}
END_TEST

int main(void)
{
    Suite *s = suite_create("networks");
    TCase *t = tcase_create("networks");
    tcase_add_loop_test(t, an_address_is_allowed_or_refused_with_the_reason, 0, sizeof cases / sizeof *cases);
    tcase_add_test(t, something_that_is_no_ip_address_is_refused);
    tcase_add_loop_test(t, a_bad_list_is_refused_with_the_word_that_is_wrong, 0, sizeof bad / sizeof *bad);
    tcase_add_test(t, a_list_has_up_to_32_networks);
    suite_add_tcase(s, t);
    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_NORMAL);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
