import { describe, expect, it } from "vitest";
import { joinChannels } from "../../lib/colour/join_channels.ts";
import { noisy } from "../support/pictures.ts";

describe("joinChannels", () => {
  it("refuses misuse by name", () => {
    const image = noisy(2, ["Ha"]);
    expect(() => joinChannels([image, image])).toThrow('"Ha" twice');
    expect(() => joinChannels([image, noisy(1, ["B"], "display")])).toThrow("must have one unit");
  });
});
