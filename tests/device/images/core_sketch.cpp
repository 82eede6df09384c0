// The commonest kind of firmware: a sketch on the packaged core. PWM on all three timers, delay(), serial prints,
// EEPROM, and a bus transmission to a display that is not there.
#include <Arduino.h>
#include <EEPROM.h>
#include <Wire.h>

static uint8_t wire_result = 255;

void setup() {
  Serial.begin(115200);
  pinMode(13, OUTPUT);
  analogWrite(6, 64);    // timer 0, fast PWM: the millisecond clock's timer
  analogWrite(9, 64);    // timer 1, phase correct
  analogWrite(10, 128);  // timer 1
  analogWrite(3, 40);    // timer 2, phase correct
  const uint8_t boots = EEPROM.read(10);
  EEPROM.write(10, boots + 1);
  EEPROM.update(11, 0x5A);
  Wire.begin();
  Wire.beginTransmission(0x3C);
  Wire.write(0x00);
  wire_result = Wire.endTransmission();
  Serial.print("boot ");
  Serial.print(boots);
  Serial.print(" wire ");
  Serial.println(wire_result);
}

void loop() {
  delay(100);
  digitalWrite(13, !digitalRead(13));
  Serial.print("a0 ");
  Serial.print(analogRead(0));
  Serial.print(" t ");
  Serial.println(millis());
}
