"""The panel's hardware: the screen over SPI, the lamp, the sounder, the buttons and the foot switch."""
