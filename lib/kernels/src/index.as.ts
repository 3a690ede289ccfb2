export { calibrateFloat, calibrateShort } from "./calibrate.as";
export { rejectingMean } from "./reject.as";
export { starlet } from "./starlet.as";
export { piecesRow, polynomial } from "./surface.as";
export { warp } from "./warp.as";
export { huberTest, tileWarp } from "./tile.as";
