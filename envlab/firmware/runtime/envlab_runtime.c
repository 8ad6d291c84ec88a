#include "envlab_runtime.h"

#include "envlab_parameters.h"
#include "envlab_products.h"
#include "envlab_table.h"

#if ENVLAB_ATTACK_FRACTION == 24
#define ENVLAB_RISE envlab_add_fine_product
#else
#define ENVLAB_RISE(sum, low, a, b) envlab_add_product(sum, a, b)
#endif
#if ENVLAB_RELEASE_FRACTION == 24
#define ENVLAB_FALL envlab_subtract_fine_product
#else
#define ENVLAB_FALL(sum, low, a, b) envlab_subtract_product(sum, a, b)
#endif

/* Entry position/256 of a table and its fraction of the way to the next one, rounded half up. */
static unsigned between(const uint16_t *table, unsigned position)
{
    const uint16_t *entry = table + (position >> 8);
    unsigned low = ENVLAB_ROM_U16(entry);
    unsigned step = ENVLAB_ROM_U16(entry + 1) - low;

    return envlab_part_of_step(low, step, (uint8_t)position);
}

static unsigned scaled(unsigned value, unsigned factor)
{
    uint32_t product = value;

    envlab_add_product(&product, value, factor);
    return envlab_upper(product);
}

uint16_t envlab_scale(uint16_t value, uint16_t factor)
{
    return (uint16_t)scaled(value, factor);
}

void envlab_start(envlab_state *state)
{
    state->envelope = 0u;
    state->envelope_low = 0u;
    state->window = ENVLAB_WINDOW_START;
    state->noise = 0u;
    state->gate = ENVLAB_GATE_OPEN;
    state->countdown = ENVLAB_ADAPT_EVERY;
}

void envlab_choose_offset(envlab_state *state, uint8_t offset_step)
{
    uint16_t window = ENVLAB_WINDOW_LEAST_SENSITIVE;
    uint8_t last = ENVLAB_OFFSET_STEPS - 1u;

    if (offset_step > last) {
        offset_step = last;
    }
    while (offset_step != 0u) {
        window = (uint16_t)(window - ENVLAB_OFFSET_STEP);
        offset_step--;
    }
    state->window = window;
}

/* The difference is taken on the whole part and the full product is added: nothing is shifted away, so the
 * envelope reaches its target exactly from both sides, however long the time constant. */
uint16_t envlab_follow(envlab_state *state, uint16_t reading)
{
    uint32_t envelope = state->envelope;
    unsigned now = envlab_upper(envelope);
    unsigned target = (reading > ENVLAB_REST) ? reading - ENVLAB_REST : 0u;

    if (target >= now) {
        ENVLAB_RISE(&envelope, &state->envelope_low, target - now, ENVLAB_ATTACK_FACTOR);
    } else {
        ENVLAB_FALL(&envelope, &state->envelope_low, now - target, ENVLAB_RELEASE_FACTOR);
    }
    state->envelope = envelope;
    return (uint16_t)envlab_upper(envelope);
}

#if ENVLAB_LEVEL_INDEX
/* The place of the top bit and the 12 bits behind it; 0 below 2. */
static unsigned level(unsigned envelope)
{
    unsigned octave = 11u;

    if (envelope < 2u) {
        return 0u;
    }
    if (envelope < 0x0100u) {
        envelope = (uint16_t)(envelope << 8);
        octave = 3u;
    }
    while (envelope > 0x1FFFu) {
        envelope >>= 1;
        octave++;
    }
    while (envelope < 0x1000u) {
        envelope <<= 1;
        octave--;
    }
    return (octave << 12) + envelope;
}
#endif

uint16_t envlab_look_up(uint16_t position)
{
    return (uint16_t)between(envlab_table, position);
}

#if ENVLAB_AUTOMATIC_LEVEL
/* The window rises while the light is full and falls while it is not. The noise drops to every quiet moment
 * and creeps up in between. Each stops at the first value at or past its end. */
static void adapt(envlab_state *state, unsigned above)
{
    const unsigned most = ENVLAB_WINDOW_MOST, noise_most = ENVLAB_NOISE_MOST;
    unsigned window = state->window;
    unsigned noise = state->noise;

    if (above >= ENVLAB_RANGE) {
        if (window < most) {
            window += ENVLAB_WINDOW_RISE;
        }
    } else if (window > ENVLAB_WINDOW_LEAST) {
        window -= ENVLAB_WINDOW_FALL;
    }
    if (above < noise) {
        noise = above;
    } else if (noise < noise_most) {
        noise += ENVLAB_NOISE_RISE;
    }
    state->window = (uint16_t)window;
    state->noise = (uint16_t)noise;
    state->countdown = ENVLAB_ADAPT_EVERY;
}
#endif

uint16_t envlab_brightness(envlab_state *state, uint16_t envelope)
{
    unsigned position = envelope;

#if ENVLAB_LEVEL_INDEX
    unsigned window = state->window;
    position = level(envelope);
    if (position < window) {
        position = window;
    }
    position -= window;
    if (position > ENVLAB_RANGE) {
        position = ENVLAB_RANGE;
    }
#endif
#if ENVLAB_AUTOMATIC_LEVEL
    state->countdown--;
    if (state->countdown == 0u) {
        adapt(state, position);
    }
#endif
    if (position < (unsigned)state->noise + state->gate) {
        state->gate = ENVLAB_GATE_OPEN;
        return ENVLAB_REST_DUTY;
    }
    state->gate = ENVLAB_GATE_CLOSE;
    return (uint16_t)scaled(between(envlab_table, position), ENVLAB_CAP);
}

uint16_t envlab_step(envlab_state *state, uint16_t reading)
{
    return envlab_brightness(state, envlab_follow(state, reading));
}
