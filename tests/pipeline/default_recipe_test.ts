/**
 * Which picture a set of filters asks for, and that nothing is left out in silence. Covers recipe_parts.ts,
 * line_recipe.ts and colour_recipe.ts.
 */
import { describe, expect, it } from "vitest";
import { defaultRecipe, unusedStacks } from "../../lib/pipeline/default_recipe.ts";
import { parseRecipe } from "../../lib/pipeline/recipe.ts";

const region = { x: 0, y: 0, width: 100, height: 80 };
const recipeFor = (channels: readonly string[], colourFilter = "") => defaultRecipe(channels, region, { colourFilter });
const optionsOf = (channels: readonly string[], id: string) =>
  recipeFor(channels).steps.find((step) => step.id === id)?.options;

describe("defaultRecipe", () => {
  it.each<readonly [readonly string[], string]>([
    [["Ha", "OIII"], "H-alpha and oxygen: HOO"],
    [["OIII", "SII"], "SII and OIII in two hues"],
    [["OIII", "SII", "Ha"], "sulphur, hydrogen, oxygen: SHO"],
    [["R", "G", "B", "Ha", "OIII"], "H-alpha and oxygen: HOO, stars in their own colours"],
    [["L", "R", "G", "B"], "colour; lightness from L and the colours"],
    [["R", "G", "B", "Ha"], "colour; Ha joined to R"],
    [["R", "G", "B", "OIII"], "colour; OIII joined to G and B"],
    [["L", "B", "R", "G", "Ha"], "colour; lightness from L and the colours; Ha joined to R"],
    [["rprime", "V", "B"], "bands by wavelength: rprime red, V green, B blue"],
    [["J", "Ks", "H"], "bands by wavelength: Ks red, H green, J blue"],
    [["V", "B"], "bands by wavelength: V red, their mean green, B blue"],
    [["slot 5"], "slot 5 alone"],
    [["L"], "L alone"],
    [["colour"], "colour"],
  ])("of %j: %s", (channels, name) => {
    const recipe = recipeFor(channels);
    expect(recipe.name).toBe(name);
    expect(unusedStacks(recipe, channels)).toEqual([]);
    // every step exists and each input was made before
    expect(parseRecipe(JSON.stringify(recipe), "default").steps.length).toBe(recipe.steps.length);
  });

  it("draws the longest wavelength red, whatever the order of the stacks", () => {
    for (const order of [["B", "V", "rprime"], ["V", "rprime", "B"]]) {
      expect(optionsOf(order, "joined")?.rules).toEqual([
        { output: "R", from: { rprime: 1 } },
        { output: "G", from: { V: 1 } },
        { output: "B", from: { B: 1 } },
      ]);
    }
  });

  it("takes the ends and the middle of more than three bands, and tells which are left", () => {
    const five = ["U", "B", "V", "R", "I"];
    const recipe = recipeFor(five);
    expect(recipe.name).toBe("bands by wavelength: I red, V green, U blue");
    expect(unusedStacks(recipe, five)).toEqual(["B", "R"]);
  });

  it("unmixes the lines of a colour sensor behind a dual-band filter", () => {
    const { steps } = recipeFor(["colour"], "HaOIII");
    expect(steps.find(({ id }) => id === "lines")).toMatchObject({
      step: "unmixLines",
      options: { lines: ["Ha", "OIII"] },
    });
    expect(recipeFor(["colour"], "L").steps.some(({ step }) => step === "unmixLines")).toBe(false);
  });

  it("leaves no continuum in a line that is joined: red for lines in red, blue for the others", () => {
    const inputs = (line: string) =>
      recipeFor(["R", "G", "B", line]).steps.find(({ id }) => id === `line-${line}`)?.inputs;
    expect(inputs("Ha")).toEqual(["even-Ha", "even-R"]);
    expect(inputs("OIII")).toEqual(["even-OIII", "even-B"]);
  });
});
