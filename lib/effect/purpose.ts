/** What a step is meant to change. */

/** What the caller of {@linkcode measureEffect} knows about the step. */
export interface Purpose {
  /** The step is meant to change the stars: no doubt is raised about their number, width or flux. */
  readonly changesStars: boolean;
  /** The step is meant to change colours: no doubt is raised about them. */
  readonly changesColour: boolean;
}

/**
 * What {@linkcode measureEffect} assumes of a step it is told nothing about: it should leave stars and colours as they
 * are.
 */
export const purposeDefaults: Readonly<Purpose> = Object.freeze({
  changesStars: false,
  changesColour: false,
});
