/* The sums of products by themselves. Stimulus: sum (32 bit), the 8 bits behind it, a, b, low, step (16), a
 * fraction (8). Record: upper half of sum (16), sum after adding and after subtracting a * b (32 each), the
 * same with the bits behind (40 each), the part of the step (16),
 * what the compiler's zero has become (8). */
#include "driver.h"
#include "envlab_products.h"

/* What the compiler takes for 0 wherever it needs one; the 8-bit machine's products use the same register. */
static uint8_t zero_of_compiler(void)
{
#if defined(__AVR__) && defined(__GNUC__) && !defined(__clang__)
    uint8_t zero;
    __asm__ volatile("mov %[zero], __zero_reg__" : [zero] "=r"(zero));
    return zero;
#else
    return 0u;
#endif
}

void driver_start(void)
{
}

static uint8_t *put_fine(uint8_t *record, uint32_t sum, uint8_t low)
{
    return driver_put32(driver_put8(record, low), sum);
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    const uint32_t start = driver_get32(input);
    const uint8_t behind = input[4];
    const uint16_t a = driver_get16(input + 5);
    const uint16_t b = driver_get16(input + 7);
    uint32_t sum = start;
    uint8_t low = behind, zero = 0u;
    unsigned part;

    record = driver_put16(record, (uint16_t)envlab_upper(sum));
    envlab_add_product(&sum, a, b);
    zero |= zero_of_compiler();
    record = driver_put32(record, sum);
    sum = start;
    envlab_subtract_product(&sum, a, b);
    zero |= zero_of_compiler();
    record = driver_put32(record, sum);
    sum = start;
    envlab_add_fine_product(&sum, &low, a, b);
    zero |= zero_of_compiler();
    record = put_fine(record, sum, low);
    sum = start;
    low = behind;
    envlab_subtract_fine_product(&sum, &low, a, b);
    zero |= zero_of_compiler();
    record = put_fine(record, sum, low);
    part = envlab_part_of_step(driver_get16(input + 9), driver_get16(input + 11), input[13]);
    zero |= zero_of_compiler();
    record = driver_put16(record, (uint16_t)part);
    (void)driver_put8(record, zero);
}
