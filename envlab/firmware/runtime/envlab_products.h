/* Sums of products of two words, as the runtime needs them.
 *
 * Plain C for every machine. The 8 bit AVR with a multiplier has them in its own instructions as well,
 * because its compiler spends half of the runtime's time on moving 32 bit values about; define
 * ENVLAB_PLAIN_C to do without. Tests hold both forms against each other. The results are marked as
 * written early, for they change while the factors are still needed.
 */
#ifndef ENVLAB_PRODUCTS_H
#define ENVLAB_PRODUCTS_H

#include <stdint.h>

/* Work that is seldom done stands in functions of its own: else its registers are saved at every step. */
#if defined(__GNUC__)
#define ENVLAB_SELDOM __attribute__((noinline)) static
#define ENVLAB_INLINE __attribute__((always_inline)) static inline
#endif
#ifndef ENVLAB_SELDOM
#define ENVLAB_SELDOM static
#define ENVLAB_INLINE static inline
#endif

#if defined(__AVR_HAVE_MUL__) && defined(__GNUC__) && !defined(ENVLAB_PLAIN_C)

/* the upper half of sum */
ENVLAB_INLINE unsigned envlab_upper(uint32_t sum)
{
    unsigned upper;
    __asm__("movw %[upper], %C[sum]" : [upper] "=r"(upper) : [sum] "r"(sum));
    return upper;
}

/* sum += a * b */
ENVLAB_INLINE void envlab_add_product(uint32_t *sum, unsigned a, unsigned b)
{
    uint8_t zero = 0u;
    __asm__("mul %A[a], %A[b]" "\n\t"
            "add %A[sum], r0" "\n\t"
            "adc %B[sum], r1" "\n\t"
            "adc %C[sum], %[zero]" "\n\t"
            "adc %D[sum], %[zero]" "\n\t"
            "mul %B[a], %B[b]" "\n\t"
            "add %C[sum], r0" "\n\t"
            "adc %D[sum], r1" "\n\t"
            "mul %A[a], %B[b]" "\n\t"
            "add %B[sum], r0" "\n\t"
            "adc %C[sum], r1" "\n\t"
            "adc %D[sum], %[zero]" "\n\t"
            "mul %B[a], %A[b]" "\n\t"
            "add %B[sum], r0" "\n\t"
            "adc %C[sum], r1" "\n\t"
            "adc %D[sum], %[zero]" "\n\t"
            "clr r1"
            : [sum] "+&r"(*sum)
            : [a] "r"(a), [b] "r"(b), [zero] "r"(zero));
}

/* sum -= a * b */
ENVLAB_INLINE void envlab_subtract_product(uint32_t *sum, unsigned a, unsigned b)
{
    uint8_t zero = 0u;
    __asm__("mul %A[a], %A[b]" "\n\t"
            "sub %A[sum], r0" "\n\t"
            "sbc %B[sum], r1" "\n\t"
            "sbc %C[sum], %[zero]" "\n\t"
            "sbc %D[sum], %[zero]" "\n\t"
            "mul %B[a], %B[b]" "\n\t"
            "sub %C[sum], r0" "\n\t"
            "sbc %D[sum], r1" "\n\t"
            "mul %A[a], %B[b]" "\n\t"
            "sub %B[sum], r0" "\n\t"
            "sbc %C[sum], r1" "\n\t"
            "sbc %D[sum], %[zero]" "\n\t"
            "mul %B[a], %A[b]" "\n\t"
            "sub %B[sum], r0" "\n\t"
            "sbc %C[sum], r1" "\n\t"
            "sbc %D[sum], %[zero]" "\n\t"
            "clr r1"
            : [sum] "+&r"(*sum)
            : [a] "r"(a), [b] "r"(b), [zero] "r"(zero));
}

/* (sum:low) += a * b, where low holds 8 bits behind those of sum */
ENVLAB_INLINE void envlab_add_fine_product(uint32_t *sum, uint8_t *low, unsigned a, unsigned b)
{
    uint8_t zero = 0u;
    __asm__("mul %A[a], %A[b]" "\n\t"
            "add %[fine], r0" "\n\t"
            "adc %A[sum], r1" "\n\t"
            "adc %B[sum], %[zero]" "\n\t"
            "adc %C[sum], %[zero]" "\n\t"
            "adc %D[sum], %[zero]" "\n\t"
            "mul %B[a], %B[b]" "\n\t"
            "add %B[sum], r0" "\n\t"
            "adc %C[sum], r1" "\n\t"
            "adc %D[sum], %[zero]" "\n\t"
            "mul %A[a], %B[b]" "\n\t"
            "add %A[sum], r0" "\n\t"
            "adc %B[sum], r1" "\n\t"
            "adc %C[sum], %[zero]" "\n\t"
            "adc %D[sum], %[zero]" "\n\t"
            "mul %B[a], %A[b]" "\n\t"
            "add %A[sum], r0" "\n\t"
            "adc %B[sum], r1" "\n\t"
            "adc %C[sum], %[zero]" "\n\t"
            "adc %D[sum], %[zero]" "\n\t"
            "clr r1"
            : [sum] "+&r"(*sum), [fine] "+&r"(*low)
            : [a] "r"(a), [b] "r"(b), [zero] "r"(zero));
}

/* (sum:low) -= a * b, where low holds 8 bits behind those of sum */
ENVLAB_INLINE void envlab_subtract_fine_product(uint32_t *sum, uint8_t *low, unsigned a, unsigned b)
{
    uint8_t zero = 0u;
    __asm__("mul %A[a], %A[b]" "\n\t"
            "sub %[fine], r0" "\n\t"
            "sbc %A[sum], r1" "\n\t"
            "sbc %B[sum], %[zero]" "\n\t"
            "sbc %C[sum], %[zero]" "\n\t"
            "sbc %D[sum], %[zero]" "\n\t"
            "mul %B[a], %B[b]" "\n\t"
            "sub %B[sum], r0" "\n\t"
            "sbc %C[sum], r1" "\n\t"
            "sbc %D[sum], %[zero]" "\n\t"
            "mul %A[a], %B[b]" "\n\t"
            "sub %A[sum], r0" "\n\t"
            "sbc %B[sum], r1" "\n\t"
            "sbc %C[sum], %[zero]" "\n\t"
            "sbc %D[sum], %[zero]" "\n\t"
            "mul %B[a], %A[b]" "\n\t"
            "sub %A[sum], r0" "\n\t"
            "sbc %B[sum], r1" "\n\t"
            "sbc %C[sum], %[zero]" "\n\t"
            "sbc %D[sum], %[zero]" "\n\t"
            "clr r1"
            : [sum] "+&r"(*sum), [fine] "+&r"(*low)
            : [a] "r"(a), [b] "r"(b), [zero] "r"(zero));
}

/* low + step * fraction / 256, rounded half up */
ENVLAB_INLINE unsigned envlab_part_of_step(unsigned low, unsigned step, uint8_t fraction)
{
    uint16_t fine = 128u;
    uint8_t zero = 0u;
    __asm__("mul %A[step], %[fraction]" "\n\t"
            "add %A[fine], r0" "\n\t"
            "adc %B[fine], r1" "\n\t"
            "add %A[low], %B[fine]" "\n\t"
            "adc %B[low], %[zero]" "\n\t"
            "mul %B[step], %[fraction]" "\n\t"
            "add %A[low], r0" "\n\t"
            "adc %B[low], r1" "\n\t"
            "clr r1"
            : [low] "+&r"(low), [fine] "+&r"(fine)
            : [step] "r"(step), [fraction] "r"(fraction), [zero] "r"(zero));
    return low;
}

#else

static inline unsigned envlab_upper(uint32_t sum)
{
    return (unsigned)(sum >> 16);
}

static inline void envlab_add_product(uint32_t *sum, unsigned a, unsigned b)
{
    *sum += (uint32_t)a * b;
}

static inline void envlab_subtract_product(uint32_t *sum, unsigned a, unsigned b)
{
    *sum -= (uint32_t)a * b;
}

static inline void envlab_add_fine_product(uint32_t *sum, uint8_t *low, unsigned a, unsigned b)
{
    uint32_t product = (uint32_t)a * b;
    unsigned fine = *low + (unsigned)(product & 0xFFu);

    *low = (uint8_t)fine;
    *sum += (product >> 8) + (fine >> 8);
}

static inline void envlab_subtract_fine_product(uint32_t *sum, uint8_t *low, unsigned a, unsigned b)
{
    uint32_t product = (uint32_t)a * b;
    unsigned fine = *low - (unsigned)(product & 0xFFu);

    *low = (uint8_t)fine;
    *sum -= (product >> 8) + ((fine >> 8) & 1u);
}

static inline unsigned envlab_part_of_step(unsigned low, unsigned step, uint8_t fraction)
{
    return low + (unsigned)(((uint32_t)step * fraction + 128u) >> 8);
}

#endif

#endif
