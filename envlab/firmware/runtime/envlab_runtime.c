#include "envlab_runtime.h"

#include "envlab_parameters.h"
#include "envlab_products.h"
#include "envlab_table.h"

#if ENVLAB_TABLE_BELONGS_TO != ENVLAB_DESIGN
#error "envlab_parameters.h and envlab_table.h belong to two different designs"
#endif

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

#define ENVLAB_LEARNT_BLOCKS 2u
#define ENVLAB_BLOCK ENVLAB_ZERO_BLOCK_BITS
#if ENVLAB_BLOCK >= 8
#define ENVLAB_MEAN_LOW(sum_low) ((sum_low) >> (ENVLAB_BLOCK - 8))
#else
#define ENVLAB_MEAN_LOW(sum_low) ((sum_low) << (8 - ENVLAB_BLOCK))
#endif

/* Entry position/256 of a table and its fraction of the way to the next one, rounded half up. */
ENVLAB_INLINE unsigned between(const uint16_t *table, unsigned position)
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

ENVLAB_INLINE void begin_block(envlab_state *state)
{
    state->sum_low = 0u;
    state->sum_high = 0u;
    state->highest = 0u;
    state->zero_left = (uint16_t)(1u << ENVLAB_BLOCK);
}

void envlab_start(envlab_state *state)
{
    state->envelope = 0u;
    state->envelope_low = 0u;
    state->zero = ENVLAB_ZERO_START;
    state->zero_low = 0u;
    state->zero_limit = ENVLAB_ZERO_START + ENVLAB_ZERO_REACH;
    state->unlearnt = ENVLAB_LEARNT_BLOCKS;
    begin_block(state);
    state->countdown = ENVLAB_ADAPT_EVERY;
    state->judge_left = ENVLAB_JUDGE_EVERY;
    state->patience = ENVLAB_PATIENCE;
    state->full = 0u;
    state->window = ENVLAB_WINDOW_START;
    state->aim = ENVLAB_WINDOW_START;
    state->peak = 0u;
    state->peak_before = 0u;
    state->noise = 0u;
    state->gate = ENVLAB_GATE_OPEN;
    state->mute = ENVLAB_MUTE_FRAMES;
    state->fade = 0u;
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
    state->aim = window;
}

/* The first still blocks of readings set the zero. Later a lower mean draws it down by a quarter of the way,
 * and a higher one lets it creep up: a slow minimum that means of many readings do not pull under what they
 * scatter about. What no offset explains teaches nothing: a converter that is stuck, or without supply. */
ENVLAB_SELDOM uint16_t learn_zero(envlab_state *state, uint16_t envelope)
{
    const unsigned least = ENVLAB_ZERO_LEAST, most = ENVLAB_ZERO_MOST, fall_most = ENVLAB_ZERO_FALL;
    unsigned sum_low = state->sum_low, sum_high = state->sum_high;
    unsigned word = (uint16_t)((sum_high << (16 - ENVLAB_BLOCK)) | (sum_low >> ENVLAB_BLOCK));
    unsigned zero = state->zero;
    uint8_t word_low = (uint8_t)ENVLAB_MEAN_LOW(sum_low), low = state->zero_low;

    if (word < least) {
        /* not a reading of this converter at silence */
    } else if ((state->unlearnt != 0u) && (word <= most)
               && (state->highest - word <= ENVLAB_ZERO_STILL)) {
        state->unlearnt--;
        zero = word;
        low = word_low;
        state->zero_limit = (uint16_t)(word + ENVLAB_ZERO_REACH);
    } else if ((word > zero) || ((word == zero) && (word_low > low))) {
        if (zero < state->zero_limit) {
            unsigned risen = low + ENVLAB_ZERO_RISE;

            zero += risen >> 8;
            low = (uint8_t)risen;
        }
    } else {
        unsigned fall = fall_most;

        word = zero - word;
        if (word < 256u) {
            unsigned quarter = ((word << 8) + low - word_low) >> 2;

            if (quarter < fall) {
                fall = quarter;
            }
        }
        zero -= fall >> 8;
        if (low < (uint8_t)fall) {
            zero--;
        }
        low = (uint8_t)(low - fall);
        if (zero + ENVLAB_ZERO_REACH < state->zero_limit) {
            state->zero_limit = (uint16_t)(zero + ENVLAB_ZERO_REACH);
        }
    }
    state->zero = (uint16_t)zero;
    state->zero_low = low;
    return envelope;
}

/* The difference is taken on the whole part and the full product is added: nothing is shifted away, so the
 * envelope reaches its target exactly from both sides, however long the time constant. */
uint16_t envlab_follow(envlab_state *state, uint16_t reading)
{
    uint32_t envelope = state->envelope;
    unsigned now = envlab_upper(envelope);
    unsigned zero = state->zero;
    unsigned target = (reading > zero) ? reading - zero : 0u;

    if (target >= now) {
        ENVLAB_RISE(&envelope, &state->envelope_low, target - now, ENVLAB_ATTACK_FACTOR);
    } else {
        ENVLAB_FALL(&envelope, &state->envelope_low, now - target, ENVLAB_RELEASE_FACTOR);
    }
    state->envelope = envelope;
    if (state->zero_left == 0u) {
        begin_block(state);
    }
    state->sum_low = (uint16_t)(state->sum_low + reading);
    if (state->sum_low < reading) {
        state->sum_high++;
    }
    if (reading > state->highest) {
        state->highest = reading;
    }
    state->zero_left--;
    now = envlab_upper(envelope);
    return (state->zero_left == 0u) ? learn_zero(state, (uint16_t)now) : (uint16_t)now;
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
/* Where the window is to go. Too much full light is borne as long as a shout lasts, then it goes up in steps;
 * silence is borne as long, then it goes down to where it started. Peaks far under the ceiling let it go down.
 * While muted it goes there at once. */
ENVLAB_SELDOM void judge(envlab_state *state)
{
    const unsigned step = ENVLAB_WINDOW_STEP, full_most = ENVLAB_FULL_MOST, most = ENVLAB_WINDOW_MOST;
    const unsigned close_by = ENVLAB_RANGE - ENVLAB_WINDOW_BAND;
    unsigned window = state->window, aim = state->aim;
    unsigned peak = state->peak;
    unsigned reach = (peak > window) ? peak - window : 0u;
    uint8_t patience = ENVLAB_PATIENCE;
    uint8_t bright = (uint8_t)(state->full > full_most);

    if ((state->mute != 0u) && (reach > ENVLAB_RANGE)) {
        aim = window + (reach - ENVLAB_RANGE);
    } else if ((bright != 0u) || (peak <= ENVLAB_SOUND_LEVEL)) {
        patience = state->patience;
        aim = window;
        if (patience != 0u) {
            patience--;
        } else if (bright == 0u) {
            if (aim > ENVLAB_WINDOW_START) {
                aim = ENVLAB_WINDOW_START;
            }
        } else if (reach > ENVLAB_RANGE) {
            reach -= ENVLAB_RANGE;
            aim += (reach > step) ? step : reach;
        }
    } else {
        unsigned before = (state->peak_before > window) ? state->peak_before - window : 0u;

        if (reach < before) {
            reach = before;
        }
        if (reach < close_by) {
            unsigned fall = ENVLAB_RANGE - ENVLAB_WINDOW_AIM - reach;

            aim = (fall > window - ENVLAB_WINDOW_LEAST) ? ENVLAB_WINDOW_LEAST : window - fall;
        }
    }
    if (aim > most) {
        aim = most;
    }
    if (peak > ENVLAB_SOUND_LEVEL) {
        state->peak_before = (uint16_t)peak;
    }
    state->judge_left = ENVLAB_JUDGE_EVERY;
    state->peak = 0u;
    state->full = 0u;
    state->patience = patience;
    state->aim = (uint16_t)aim;
    if (state->mute != 0u) {
        state->window = (uint16_t)aim;
    }
}

/* Moves the window towards its aim. The noise drops to every quiet moment and creeps up in between; it stops
 * at the first value at or past its end. */
ENVLAB_SELDOM void adapt(envlab_state *state, unsigned above)
{
    const unsigned noise_most = ENVLAB_NOISE_MOST;
    unsigned window = state->window, aim = state->aim;
    unsigned noise = state->noise;

    state->countdown = ENVLAB_ADAPT_EVERY;
    state->judge_left--;
    if (above >= ENVLAB_RANGE) {
        state->full++;
    }
    if (aim > window) {
        aim -= window;
        window += (aim > ENVLAB_WINDOW_RISE) ? ENVLAB_WINDOW_RISE : aim;
    } else {
        aim = window - aim;
        window -= (aim > ENVLAB_WINDOW_FALL) ? ENVLAB_WINDOW_FALL : aim;
    }
    state->window = (uint16_t)window;
    if (above < noise) {
        noise = above;
    } else if (noise < noise_most) {
        noise += ENVLAB_NOISE_RISE;
    }
    state->noise = (uint16_t)noise;
}
#endif

/* Nothing while muted, then less than everything until the fade-in is done. */
static uint16_t faded(envlab_state *state, unsigned duty)
{
    const unsigned dim = ENVLAB_DIM;
    unsigned fade = state->fade;

    if (fade != dim) {
        if (state->mute != 0u) {
            state->mute--;
            return 0u;
        }
        fade = (dim - fade > ENVLAB_FADE_STEP) ? fade + ENVLAB_FADE_STEP : dim;
        state->fade = (uint16_t)fade;
    }
    return (uint16_t)scaled(duty, fade);
}

uint16_t envlab_brightness(envlab_state *state, uint16_t envelope)
{
    unsigned position = envelope;
    unsigned duty = ENVLAB_BASE_DUTY;

#if ENVLAB_LEVEL_INDEX
    unsigned window = state->window;
    position = level(envelope);
#if ENVLAB_AUTOMATIC_LEVEL
    if (position > state->peak) {
        state->peak = (uint16_t)position;
    }
#endif
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
    } else if (state->judge_left == 0u) {
        judge(state);
    }
#endif
    if (position < (unsigned)state->noise + state->gate) {
        state->gate = ENVLAB_GATE_OPEN;
    } else {
        state->gate = ENVLAB_GATE_CLOSE;
        duty = between(envlab_table, position);
    }
    return faded(state, duty);
}

uint16_t envlab_step(envlab_state *state, uint16_t reading)
{
    return envlab_brightness(state, envlab_follow(state, reading));
}

/* CRC-32 of IEEE 802.3, bit by bit: slow, small, and asked once. */
uint8_t envlab_table_is_whole(void)
{
    uint32_t crc = 0xFFFFFFFFul;
    uint16_t index;

    for (index = 0u; index < ENVLAB_TABLE_ENTRIES; index++) {
        uint16_t code = ENVLAB_ROM_U16(&envlab_table[index]);
        uint8_t bit;

        crc ^= code;
        for (bit = 0u; bit < 16u; bit++) {
            crc = ((crc & 1u) != 0u) ? ((crc >> 1) ^ 0xEDB88320ul) : (crc >> 1);
        }
    }
    return (uint8_t)(crc == (uint32_t)(ENVLAB_TABLE_CRC32 ^ 0xFFFFFFFFul));
}
