"""What each tissue of the crop can stand."""
