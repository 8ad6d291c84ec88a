"""From pascal to counts: microphone, preamp, rectifier, detector, ADC."""
