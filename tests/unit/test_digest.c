#include "digest.h"

#include <check.h>

#include <stdlib.h>
#include <string.h>

/* RFC 4231, section 4, test cases 1 to 4, 6 and 7 (HMAC-SHA-256). */
static const struct {
    int key_byte, key_size; /* a key of equal bytes; -1: counts up from 1 */
    const char *key, *data;
    int data_byte, data_size;
    const char *digest;
} cases[] = {
    {0x0b, 20, NULL, "Hi There", 0, 0, "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"},
    {0, 0, "Jefe", "what do ya want for nothing?", 0, 0,
     "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"},
    {0xaa, 20, NULL, NULL, 0xdd, 50, "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"},
    {-1, 25, NULL, NULL, 0xcd, 50, "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b"},
    {0xaa, 131, NULL, "Test Using Larger Than Block-Size Key - Hash Key First", 0, 0,
     "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"},
    {0xaa, 131, NULL,
     "This is a test using a larger than block-size key and a larger than block-size data. The key needs to "
     "be hashed before being used by the HMAC algorithm.",
     0, 0, "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2"},
};

START_TEST(a_signature_is_that_of_the_standard)
{
    unsigned char key[200], data[200];
    char text[DIGEST_TEXT];
    const char *word = cases[_i].key ? cases[_i].key : "";
    size_t key_size = cases[_i].key ? strlen(word) : (size_t)cases[_i].key_size;
    for (size_t k = 0; k < key_size; k++)
        key[k] = (unsigned char)(cases[_i].key            ? word[k]
                                 : cases[_i].key_byte < 0 ? (int)k + 1
                                                          : cases[_i].key_byte);
    memset(data, cases[_i].data_byte, sizeof data);
    const void *bytes = cases[_i].data ? (const void *)cases[_i].data : data;
    size_t size = cases[_i].data ? strlen(cases[_i].data) : (size_t)cases[_i].data_size;
    digest_hmac(key, key_size, bytes, size, text);
    ck_assert_str_eq(text, cases[_i].digest);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("digest");
    TCase *all = tcase_create("all");
    suite_add_tcase(suite, all);
    tcase_add_loop_test(all, a_signature_is_that_of_the_standard, 0, sizeof cases / sizeof *cases);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
