#include "decoding.h"
#include "mtconnect.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    check_decoder(mtconnect_document, mtconnect_model, data, size);
    return 0;
}
