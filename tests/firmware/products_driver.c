/* The sums of products by themselves, on operands that carry through every byte.
 * Stimulus: sum (32 bit), low (8 bit), a, b (16 bit).
 * Record: sum + a * b, sum - a * b (32 bit); the same with low behind sum, each with its low (32 and 8 bit);
 * a * low / 256 above b, rounded half up (16 bit). */
#include "driver.h"
#include "envlab_products.h"

void driver_start(void)
{
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    const uint32_t sum = (uint32_t)driver_get16(input) | (uint32_t)driver_get16(input + 2) << 16;
    const uint16_t a = driver_get16(input + 5), b = driver_get16(input + 7);
    uint32_t changed = sum;
    uint8_t low = input[4];

    envlab_add_product(&changed, a, b);
    record = driver_put32(record, changed);
    changed = sum;
    envlab_subtract_product(&changed, a, b);
    record = driver_put32(record, changed);
    changed = sum;
    envlab_add_fine_product(&changed, &low, a, b);
    record = driver_put32(record, changed);
    record = driver_put8(record, low);
    changed = sum;
    low = input[4];
    envlab_subtract_fine_product(&changed, &low, a, b);
    record = driver_put32(record, changed);
    record = driver_put8(record, low);
    (void)driver_put16(record, (uint16_t)envlab_part_of_step(b, a, input[4]));
}
