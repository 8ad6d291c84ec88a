#include "envlab_frame.h"

#include "envlab_products.h"

#if ENVLAB_FRAME_BITS < 8 || ENVLAB_FRAME_BITS > 16
#error "envlab_frame.c makes codes of 8 to 16 bit"
#endif

#define PLACES (16 - ENVLAB_FRAME_BITS)
#define FULL ((uint16_t)((1ul << ENVLAB_FRAME_BITS) - 1ul))
#define MOST_FINE (((uint32_t)ENVLAB_FRAME_LIMIT << PLACES) + (1ul << PLACES) - 1ul)

/* The highest threshold that any refresh uses: what fits with it fits with all. */
#if ENVLAB_FRAME_DITHER_BITS == 0
#define HIGHEST ENVLAB_FRAME_NEAREST
#else
#define HIGHEST ((uint16_t)((1ul << PLACES) - (1ul << (PLACES - ENVLAB_FRAME_DITHER_BITS - 1))))
#endif

/* duty * FULL / 65535 with PLACES binary places, cut there. With duty = high * 2^bits + low it is duty - high,
 * less 1 where low / FULL > high / (2^PLACES - 1). At 8 bit both divisors are the same. */
static uint16_t fine_duty(uint16_t duty)
{
#if ENVLAB_FRAME_BITS == 16
    return duty;
#elif ENVLAB_FRAME_BITS == 8
    const uint8_t high = (uint8_t)(duty >> 8);

    return (uint16_t)(duty - high - (((uint8_t)(duty & 0xFFu) > high) ? 1u : 0u));
#else
    const uint16_t high = (uint16_t)(duty >> ENVLAB_FRAME_BITS);
    const uint16_t low = (uint16_t)(duty & FULL);
    const uint16_t low_part = (uint16_t)((uint16_t)(low << PLACES) - low);
    const uint16_t high_part = (uint16_t)((uint16_t)(high << ENVLAB_FRAME_BITS) - high);

    return (uint16_t)(duty - high - ((low_part > high_part) ? 1u : 0u));
#endif
}

static envlab_code cut(unsigned fine)
{
    return (envlab_code)(fine >> PLACES);
}

/* MOST_FINE / total with 16 binary places, less 1; 65535 where nothing has to come down. */
static uint16_t factor_of(uint32_t total)
{
    uint32_t rest = MOST_FINE;
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

void envlab_frame_open(envlab_frame *frame)
{
    frame->codes = 0u;
    frame->fine = 0u;
    frame->factor = 0xFFFFu;
    frame->limited = 0u;
}

void envlab_frame_add(envlab_frame *frame, uint16_t duty)
{
    uint16_t fine = fine_duty(duty);

    frame->codes += cut((uint16_t)(fine + HIGHEST));
    frame->fine += fine;
}

void envlab_frame_close(envlab_frame *frame)
{
    if (frame->codes > ENVLAB_FRAME_LIMIT) {
        frame->limited = 1u;
        frame->factor = factor_of(frame->fine);
    }
    frame->carry = 0u;
}

void envlab_frame_again(envlab_frame *frame)
{
    frame->carry = 0u;
}

envlab_code envlab_frame_code(envlab_frame *frame, uint16_t duty, uint16_t threshold)
{
    uint16_t fine = fine_duty(duty);
    uint32_t product;

    if (frame->limited == 0u) {
        return cut((uint16_t)(fine + threshold));
    }
    product = (uint32_t)fine + frame->carry;
    envlab_add_product(&product, fine, frame->factor);
    frame->carry = (uint16_t)(product & 0xFFFFu);
    return cut(envlab_upper(product));
}
