// The few calls that a sketch of the documentation makes, on this machine, so that it runs as it is
// printed.  Written from the reference of the Arduino language: print(float) has two digits unless
// told, println ends with CR LF, millis() counts from the start.
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

enum { A0, A1, A2 };

static inline unsigned long millis() {
  static timespec began = {0, 0};
  timespec now;
  clock_gettime(CLOCK_MONOTONIC, &now);
  if (began.tv_sec == 0) began = now;
  return (unsigned long)((now.tv_sec - began.tv_sec) * 1000 +
                         (now.tv_nsec - began.tv_nsec) / 1000000);
}

// A ride of sorts: each input swings by itself within its 1024 steps.
static inline int analogRead(int pin) {
  return (int)(700 + 100 * sin((double)millis() / (1000.0 * (pin + 1))));
}

struct SerialPort {
  void begin(long) {}
  void write(const char *text) {
    for (size_t left = strlen(text); left > 0;) {
      ssize_t done = ::write(1, text, left);
      if (done < 0) _exit(0);  // nobody is there any more
      text += done;
      left -= (size_t)done;
    }
  }
  void print(const char *text) { write(text); }
  void print(char sign) { const char text[] = {sign, 0}; write(text); }
  void print(unsigned long value) { char text[24]; snprintf(text, sizeof text, "%lu", value); write(text); }
  void print(double value, int digits = 2) { char text[40]; snprintf(text, sizeof text, "%.*f", digits, value); write(text); }
  void println(const char *text) { write(text); write("\r\n"); }
  void println(double value, int digits = 2) { print(value, digits); write("\r\n"); }
};
static SerialPort Serial;

void setup();
void loop();

int main() {
  setup();
  for (;;) {
    loop();
    usleep(500);
  }
}
