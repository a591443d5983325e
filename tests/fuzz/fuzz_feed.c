#include "decoding.h"
#include "feed.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    check_decoder(feed_document, feed_model, data, size);
    return 0;
}
