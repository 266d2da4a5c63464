// Time in words: from the start of the run, or by the wall clock of the reader's time zone.

const STEPS = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120,
  300, 600, 900, 1800, 3600, 7200, 14400, 21600, 43200, 86400];

const two = (number) => String(number).padStart(2, "0");

// Seconds of the local day at t.
function localSeconds(t) {
  const at = new Date((spec.wall + t) * 1000);
  return at.getHours() * 3600 + at.getMinutes() * 60 + at.getSeconds() + ((spec.wall + t) % 1);
}

// Time is counted from spec.zero, but for the wall clock.
function timeText(t, digits, wall) {
  if (!wall) t -= spec.zero;
  const sign = t < 0 && !wall ? "−" : "";
  const unit = 10 ** digits;
  let ticks = Math.round((wall ? localSeconds(t) : Math.abs(t)) * unit);
  const fraction = digits ? "." + String(ticks % unit).padStart(digits, "0") : "";
  const whole = Math.floor(ticks / unit);
  const hours = Math.floor(whole / 3600), minutes = Math.floor(whole / 60) % 60;
  if (wall) return `${two(hours % 24)}:${two(minutes)}:${two(whole % 60)}${fraction}`;
  const head = hours ? `${hours}:${two(minutes)}` : String(minutes);
  return `${sign}${head}:${two(whole % 60)}${fraction}`;
}

// Even marks for the time axis: about one to every 90 px.
function timeTicks(start, end, pixels, wall) {
  const least = ((end - start) / Math.max(pixels, 1)) * 90;
  const step = STEPS.find((candidate) => candidate >= least) || 86400;
  const digits = step >= 1 ? 0 : step >= 0.1 ? 1 : step >= 0.01 ? 2 : 3;
  const shift = wall ? localSeconds(0) % step : -(spec.zero % step);
  const values = [];
  for (let n = Math.ceil((start + shift) / step); n * step - shift <= end; n++) {
    values.push(n * step - shift);
  }
  return { values, texts: values.map((t) => timeText(t, digits, wall)) };
}
