"""What is believed of packs and sensors before any question is answered."""
