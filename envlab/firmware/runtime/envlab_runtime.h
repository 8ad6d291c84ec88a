/* From an ADC reading to the pixels' duty, the same bit for bit on every machine.
 *
 * C99 and C++, unsigned arithmetic only, no heap, no floating point, no division, safe where int has
 * 16 bits. envlab_parameters.h and envlab_table.h, which belong to one design, give the numbers.
 *
 * Words:
 *   reading    unsigned Q0.16 of the ADC's full scale: left-justified counts, that is counts shifted up by
 *              ENVLAB_ADC_SHIFT (many converters do so by themselves if asked)
 *   envelope   as a reading, above the zero
 *   zero       the reading at silence, learnt: unsigned Q16.8 of a reading
 *   level      unsigned Q4.12 octave: place of the envelope's top bit and the 12 bits behind it, straight
 *              within each octave; 4096 are 6.02 dB
 *   duty       unsigned code, 65535 is full
 */
#ifndef ENVLAB_RUNTIME_H
#define ENVLAB_RUNTIME_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Everything that is carried from one call to the next. Only the functions below change it. envlab_follow uses
 * nothing but the first part, envlab_brightness nothing but the second: two tasks may have a state each, both
 * started at power-up, if only the envelope passes between them. */
typedef struct {
    uint32_t envelope;     /* unsigned Q16.16 of an envelope word */
    uint16_t sum_low;      /* of the readings of this block, the lower 16 bits */
    uint16_t sum_high;     /* the upper 16 bits */
    uint16_t zero;         /* reading at silence */
    uint16_t zero_limit;   /* reading: the zero rises no further */
    uint16_t highest;      /* reading of this block */
    uint16_t zero_left;    /* readings until the block is full */
    uint8_t envelope_low;  /* the 8 bits behind envelope */
    uint8_t zero_low;      /* the 8 bits behind zero */
    uint8_t unlearnt;      /* still blocks until the start has been learnt */

    uint8_t countdown;     /* steps until window and noise adapt again */
    uint8_t judge_left;    /* adaptations until the peaks are judged, in the step after */
    uint8_t patience;      /* judgements until too much light, or silence, moves the window */
    uint8_t full;          /* adaptations at full light since the last judgement */
    uint16_t window;       /* level word: where the light begins */
    uint16_t aim;          /* level word: where the window is going */
    uint16_t peak;         /* highest level word since the last judgement */
    uint16_t peak_before;  /* that of the last judgement with any sound */
    uint16_t noise;        /* level word above the window: where the quiet lies */
    uint16_t gate;         /* level word above the noise: ENVLAB_GATE_OPEN while shut, else _CLOSE */
    uint16_t mute;         /* frames that are still to be dark */
    uint16_t fade;         /* factor on every duty, from 0 to ENVLAB_DIM */
} envlab_state;

/* Puts the state to silence: zero and window where the design has them, gate closed, dark for
 * ENVLAB_MUTE_FRAMES, then a fade-in. Call it after every reset, whatever memory holds. */
void envlab_start(envlab_state *state);

/* Takes one reading; call it at ENVLAB_ADC_RATE_HZ. Returns the envelope. A reading that is missed makes
 * attack, release and learning that much longer, nothing else. A converter that sticks gives steady light, or
 * none; readings lower than any offset explains teach the zero nothing. */
uint16_t envlab_follow(envlab_state *state, uint16_t reading);

/* Takes the envelope; call it at ENVLAB_BRIGHTNESS_RATE_HZ. Returns the duty. */
uint16_t envlab_brightness(envlab_state *state, uint16_t envelope);

/* Both, where the brightness is wanted for every reading. */
uint16_t envlab_step(envlab_state *state, uint16_t reading);

/* Chooses one of the ENVLAB_OFFSET_STEPS sensitivities, 0 the least; a larger number counts as the last. */
void envlab_choose_offset(envlab_state *state, uint8_t offset_step);

/* Returns the duty at a place in the table, entry position/256, straight between entries, rounded half up.
 * position: at most ENVLAB_RANGE where ENVLAB_LEVEL_INDEX is 1, else any, such as an envelope. */
uint16_t envlab_look_up(uint16_t position);

/* Returns value * (factor + 1) / 65536, rounded down: factor 65535 leaves the value as it is. */
uint16_t envlab_scale(uint16_t value, uint16_t factor);

/* Returns 1 if the table in program memory still has its CRC-32, else 0. Ask once, at start-up. */
uint8_t envlab_table_is_whole(void);

#ifdef __cplusplus
}
#endif

#endif
