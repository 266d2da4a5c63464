// What the report's scripts make of the data that they are handed.

type Reading = Int8Array | Uint8Array | Int16Array | Uint16Array | Int32Array | Uint32Array | Float32Array;

interface PageTable extends TableData {
  time: Float64Array;
  breaks: Int32Array;
}

/** The least and greatest reading of each block of so many samples, and where it stands. */
interface Extremes {
  size: number;
  low: Int32Array;
  high: Int32Array;
  least: Float64Array;
  most: Float64Array;
}

interface PageColumn extends Omit<ColumnData, "overview"> {
  overview: { x: number[]; y: number[] };
  value: (raw: number) => number;
  /** null until it is unpacked */
  raw: Reading | null;
  indices: Extremes[];
  breaks: Int32Array;
}

interface PageLine extends Omit<LineData, "column"> {
  column: PageColumn;
  number: number;
  /** where the read-out shows it */
  value?: HTMLElement;
}

interface PagePanel extends Omit<PanelData, "lines"> {
  last: boolean;
  alone: boolean;
  lines: PageLine[];
  box: HTMLDetailsElement;
  plot: HTMLElement;
  labels: HTMLElement;
  cursor: HTMLElement;
  band: HTMLElement;
  touch: HTMLElement;
  strong: PageLine | null;
  dirty: boolean;
  /** limits drawn, least and greatest level, and px of height, since it was drawn last */
  shown: LimitData[];
  range: [number, number] | null;
  height: number;
  drawn: object[];
}

interface LabelRow {
  y: number;
  limits: LimitData[];
}

/** s; the cursor and the ruler's ends are null while they are not set. */
interface View {
  start: number;
  end: number;
  cursor: number | null;
  held: boolean;
  a: number | null;
  b: number | null;
  wall: boolean;
}

/** What a pointer on a plot is doing: two fingers, or one that began at px ``x``, ``from`` s. */
interface Drag {
  pinch?: number[];
  x?: number;
  from?: number;
  to?: number;
  ruler?: boolean;
}

/** What a pointer on the strip is doing, in s. */
interface Grip {
  at: number;
  from: number;
  hold?: number;
  moved: boolean;
  fresh?: boolean;
}

type StripRow = "speed" | "current" | "cell";
type Place = [number, number];

interface PageCourse extends Omit<CourseData, "scale"> {
  lines: { line: PageLine; panel: PagePanel }[];
  choose: HTMLSelectElement;
  canvas: HTMLCanvasElement;
  here: HTMLElement;
  scale: HTMLCanvasElement;
  least: HTMLElement;
  most: HTMLElement;
  box: HTMLDetailsElement;
  /** px of a fix, once it was drawn */
  place: ((fix: number) => Place) | null;
}
