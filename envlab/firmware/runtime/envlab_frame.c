#include "envlab_frame.h"

#include "envlab_parameters.h"

uint16_t envlab_frame_factor(uint32_t total)
{
    uint32_t rest = ENVLAB_SUM_LIMIT;
    uint16_t factor = 0u;
    uint8_t bit;

    if (total <= rest) {
        return 0xFFFFu;
    }
    for (bit = 0u; bit < 16u; bit++) {
        rest <<= 1;
        factor = (uint16_t)(factor << 1);
        if (rest >= total) {
            rest -= total;
            factor++;
        }
    }
    return (uint16_t)(factor - 1u);
}

uint8_t envlab_byte(uint16_t duty)
{
    return (uint8_t)((duty - (duty >> 8)) >> 8);
}
