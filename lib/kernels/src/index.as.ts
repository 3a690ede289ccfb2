export { blurColumns, blurRows } from "./blur.as";
export { calibrateFloat, calibrateShort } from "./calibrate.as";
export { lowest } from "./extreme.as";
export { rejectingMean } from "./reject.as";
export { starlet } from "./starlet.as";
export { piecesRow, polynomial } from "./surface.as";
export { placesAffine, placesBetween, warp } from "./warp.as";
export { huberTest } from "./huber.as";
