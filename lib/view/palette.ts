/**
 * Colours of the sheets in a light and a dark theme. The five hues were chosen so that the smallest difference between
 * any two, seen with normal vision, protanopia, deuteranopia and tritanopia, is as large as it can be while each still
 * answers to its name (`fixtures/palette/derive.py`); all stand out from the background by at least 3 : 1.
 */

/** Light for print and bright rooms, dark for the telescope and the projector. */
export type ThemeName = "light" | "dark";

/** Colours of one theme, CSS hexadecimal. */
export interface Theme {
  /** Behind everything. */
  readonly background: string;
  /** Behind plots and tables. */
  readonly panel: string;
  /** Text and axes. */
  readonly ink: string;
  /** Secondary text; readable at 4.5 : 1. */
  readonly muted: string;
  /** Grid lines and borders. */
  readonly line: string;
  /** First hue. */
  readonly red: string;
  /** Second hue. */
  readonly amber: string;
  /** Third hue. */
  readonly teal: string;
  /** Fourth hue. */
  readonly blue: string;
  /** Fifth hue. */
  readonly violet: string;
}

/** The two themes. */
export const themes: Readonly<Record<ThemeName, Theme>> = Object.freeze({
  light: Object.freeze({
    background: "#ffffff",
    panel: "#f6f7f9",
    ink: "#1b2129",
    muted: "#5b6470",
    line: "#d5dae1",
    red: "#b52125",
    amber: "#af8620",
    teal: "#50a08d",
    blue: "#354084",
    violet: "#a829ca",
  }),
  dark: Object.freeze({
    background: "#12161c",
    panel: "#1a2028",
    ink: "#e8ecf1",
    muted: "#a3acb8",
    line: "#343d4a",
    red: "#f32d34",
    amber: "#f2c43f",
    teal: "#95ead7",
    blue: "#557ea9",
    violet: "#d45ffd",
  }),
});

/** The colours of a theme as CSS variables: `--background:#ffffff;--panel:…`. */
export const themeVariables = (theme: Theme): string =>
  Object.entries(theme).map(([name, colour]) => `--${name}:${colour}`).join(";");

/**
 * Marks of clipped pixels, in both themes alike: a violet at white and a teal at black. Of the ten hues these two stand
 * out by at least 3 : 1 from black, from white and from the backgrounds of both themes, and remain apart with
 * protanopia, deuteranopia and tritanopia.
 */
export const clippingColours = Object.freeze({ black: themes.light.teal, white: themes.light.violet });

/** Red, green and blue of a CSS hexadecimal colour, 0 … 255. */
export function rgbOf(hexadecimal: string): readonly [number, number, number] {
  const part = (at: number) => parseInt(hexadecimal.slice(at, at + 2), 16);
  return [part(1), part(3), part(5)];
}

/** A colour between two, channel by channel: `part` 0 is the first, 1 the second. */
export function mixedColour(
  from: readonly [number, number, number],
  to: readonly [number, number, number],
  part: number,
): readonly [number, number, number] {
  const mixed = (c: 0 | 1 | 2) => Math.round(from[c] + (to[c] - from[c]) * part);
  return [mixed(0), mixed(1), mixed(2)];
}

/** Colour of a channel: emission lines and filters near their own colour, luminance and single planes in ink. */
export function channelColour(channel: string, theme: Theme): string {
  const known: Readonly<Record<string, string>> = {
    R: theme.red,
    G: theme.teal,
    B: theme.blue,
    Ha: theme.red,
    OIII: theme.teal,
    SII: theme.amber,
    Hb: theme.blue,
    NII: theme.violet,
  };
  return known[channel] ?? theme.ink;
}

/** Name of a channel as people write it. */
export function channelLabel(channel: string): string {
  const known: Readonly<Record<string, string>> = {
    Ha: "Hα",
    OIII: "[O III]",
    SII: "[S II]",
    Hb: "Hβ",
    NII: "[N II]",
    L: "luminance",
    R: "red",
    G: "green",
    B: "blue",
  };
  return known[channel] ?? channel;
}
