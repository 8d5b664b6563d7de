// The course of single measurements in time: dots, a line through them, the band that is aimed at, marks. Small, as one picture with words; no hands on it.

import { day } from "../time.ts";

export interface Dot {
  at_ms: number;
  value: number;
}

interface Props {
  /** In words, for who does not see it. */
  label: string;
  points: Dot[];
  /** A line through them. */
  line?: Dot[];
  /** What is aimed at. */
  band?: [number, number] | undefined;
  /** The whole band is shown, however far it is. */
  isBandWhole?: boolean;
  /** Times that break the line. */
  marks?: number[];
  /** Times are of the last minutes: said in seconds before the newest. */
  isSeconds?: boolean;
  format(value: number): string;
}

const [WIDTH, HEIGHT, LEFT, BELOW, ABOVE] = [320, 96, 44, 16, 6];

/** Where values and times stand on the picture. Pure. */
export function placed(points: Dot[], line: Dot[], band: [number, number] | undefined, isBandWhole = false) {
  const values = [...points, ...line].map((dot) => dot.value);
  let [low, high] = [Math.min(...values), Math.max(...values)];
  // The band counts where it lies near, not where it would press the points together.
  if (band) {
    const reach = isBandWhole ? Infinity : Math.max(high - low, (band[1] - band[0]) / 2);
    if (band[0] > low - reach) low = Math.min(low, band[0]);
    if (band[1] < high + reach) high = Math.max(high, band[1]);
  }
  if (high - low < 1e-9) [low, high] = [low - 1, high + 1];
  const times = [...points, ...line].map((dot) => dot.at_ms);
  let [from, to] = [Math.min(...times), Math.max(...times)];
  if (to - from < 1) [from, to] = [from - 43_200_000, to + 43_200_000];
  const x = (ms: number) => LEFT + ((ms - from) / (to - from)) * (WIDTH - LEFT - 6);
  const y = (value: number) => ABOVE + ((high - value) / (high - low)) * (HEIGHT - ABOVE - BELOW);
  return { low, high, from, to, x, y };
}

export function Course({ label, points, line = [], band, isBandWhole = false, marks = [], isSeconds = false, format }: Props) {
  if (points.length === 0) return null;
  const { low, high, from, to, x, y } = placed(points, line, band, isBandWhole);
  const clip = (value: number) => Math.min(HEIGHT - BELOW, Math.max(ABOVE, y(value)));
  return (
    <svg class="course" viewBox={`0 0 ${WIDTH} ${HEIGHT}`} role="img" aria-label={label}>
      {band && clip(band[0]) > clip(band[1]) && <rect class="aim" x={LEFT} y={clip(band[1])} width={WIDTH - LEFT} height={clip(band[0]) - clip(band[1])} />}
      <path class="axis" d={`M${LEFT} ${ABOVE}V${HEIGHT - BELOW}H${WIDTH}`} />
      {marks
        .filter((ms) => ms >= from && ms <= to)
        .map((ms) => (
          <path key={ms} class="change" d={`M${x(ms).toFixed(1)} ${ABOVE}V${HEIGHT - BELOW}`} />
        ))}
      {line.length > 1 && <path class="line" d={`M${line.map((dot) => `${x(dot.at_ms).toFixed(1)} ${y(dot.value).toFixed(1)}`).join("L")}`} />}
      {points.map((dot) => (
        <circle key={dot.at_ms} cx={x(dot.at_ms)} cy={y(dot.value)} r={2.2} />
      ))}
      <text x={LEFT - 4} y={ABOVE + 8} text-anchor="end">
        {format(high)}
      </text>
      <text x={LEFT - 4} y={HEIGHT - BELOW} text-anchor="end">
        {format(low)}
      </text>
      <text x={LEFT} y={HEIGHT - 4}>
        {isSeconds ? `−${Math.round((to - from) / 1000)} s` : day(from)}
      </text>
      <text x={WIDTH} y={HEIGHT - 4} text-anchor="end">
        {isSeconds ? "0 s" : day(to)}
      </text>
    </svg>
  );
}
